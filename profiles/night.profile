# Does a board stay put overnight? Nine hours of the same cycle of six minutes: a
# lift clear of the water (tells drift of the zero from evaporation), stairs, ramps at
# three speeds and a step each way. Takes 9 h.
title  "Night watch"
start  at 10 mm
repeat for 9 h
  mark   "cycle"
  step   to -10 mm
  hold   30 s
  step   to 10 mm
  hold   10 s
  stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
  each speed 6, 15, 40 mm/s
    repeat 2
      ramp to 150 mm at speed
      hold 4 s
      ramp to 10 mm at speed
      hold 10 s
    end
  end
  step   to 120 mm
  hold   5 s
  step   to 30 mm
  hold   10 s
end
