# A quick look over the whole wire: are homing, direction, datum and readings right?
# Takes about 21 s. The reading must rise while the board goes down into the water.
title  "Wire check"
start  at 20 mm
hold   2 s
ramp   to 80 mm at 20 mm/s
hold   2 s
ramp   to 20 mm at 20 mm/s
hold   2 s
step   to 50 mm
hold   3 s
step   to 20 mm
hold   3 s
