# How still is the reading when nothing moves, and how far does averaging help? Half an
# hour in air (the electronics alone), then half an hour in the water, and stairs for the
# curve. Takes about 62 minutes. The Allan deviation is that of the hold in the water.
title  "Still water"
start  at 10 mm
stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
step   to -10 mm
hold   30 min
step   to 80 mm
hold   31 min
