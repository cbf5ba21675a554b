# How fast does the water fall? Each cycle touches the surface from above, then reads
# the board at a few depths. Tells evaporation without the board's own drift in it, and counts all
# depths from the surface that was touched. Takes 3 h.
title "The surface through the hours"
repeat for 3 h
  touch within 3 mm at 1 mm/s
  stairs from 10 mm to 130 mm in 4 steps, hold 4 s, up and down
  step to -15 mm
  hold 4 min
end
