# Which waves does a board follow? Waves of twelve frequencies about the middle of the board, as
# high as the axis can make them up to 15 mm, and stairs for the curve; ramps at three
# speeds tell how much of a lag is play. Takes about 14 minutes.
title  "Frequency response"
start  at 10 mm
stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
each speed 10, 20, 40 mm/s
  repeat 3
    ramp  to 150 mm at speed
    hold  3 s
    ramp  to 10 mm at speed
    hold  8 s
  end
end
sine   about 80 mm amplitude up to 15 mm from 0.05 Hz to 3 Hz in 12 frequencies, 8 cycles each
