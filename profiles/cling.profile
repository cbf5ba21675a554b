# How long water clings to a board, at four speeds with five passes each, and the
# frequency response after it. For the comparison of a bare board with a coated one:
# run it before and after. Takes about 28 minutes.
title  "Cling lag and bandwidth"
start  at 10 mm
hold   15 s
stairs from 10 mm to 150 mm in 14 steps, hold 4 s, up and down
each speed 5, 10, 20, 40 mm/s
  repeat 5
    ramp  to 150 mm at speed
    hold  4 s
    ramp  to 10 mm at speed
    hold  15 s
  end
end
repeat 5
  step   to 120 mm
  hold   6 s
  step   to 30 mm
  hold   12 s
end
sine   about 80 mm amplitude up to 15 mm from 0.05 Hz to 3 Hz in 12 frequencies, 8 cycles each
