# Does a board from the line pass? Short stairs for curve, straightness and noise, then two
# passes each way at two speeds for hysteresis and lags. Takes about 58 s. Then: wetsweep judge
# RECORDING --limits profiles/production-b.limits. Intervals are wider than those of a
# calibration; a board whose reading lags by more than 0.2 s needs longer holds and passes.
title  "Production dip"
start  at 10 mm
hold   1 s
stairs from 10 mm to 150 mm in 7 steps, hold 1.3 s, up and down
each speed 24, 48 mm/s
  repeat 2
    ramp  to 110 mm at speed
    hold  0.5 s
    ramp  to 10 mm at speed
    hold  1 s
  end
end
