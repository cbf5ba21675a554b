# A first look at a wave-staff board: every kind of motion once, so that the report
# has a curve, straightness, hysteresis, lag both ways, a step response and three
# frequencies. Takes about 4.5 minutes. 'wetsweep demo' runs it.
title  "First dip"
start  at 10 mm
hold   3 s
stairs from 10 mm to 150 mm in 7 steps, hold 2.5 s, up and down
each speed 12, 18, 27, 40 mm/s
  repeat 2
    ramp  to 150 mm at speed
    hold  2 s
    ramp  to 10 mm at speed
    hold  2 s
  end
end
mark   "steps"
repeat 3
  step  to 120 mm
  hold  3 s
  step  to 30 mm
  hold  4 s
end
sine   about 80 mm amplitude up to 6 mm from 0.2 Hz to 2 Hz in 3 frequencies, 6 cycles each
