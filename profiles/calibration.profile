# How does a reading become a depth, and how straight is it? Stairs of 14 steps up and down,
# three times, each level held for 4 s so that the reading settles. Takes about 6 minutes.
# For 'wetsweep curve', of one board or of a revision.
title  "Calibration by stairs"
start  at 10 mm
hold   5 s
repeat 3
  stairs from 10 mm to 150 mm in 14 steps, hold 4 s, up and down
end
