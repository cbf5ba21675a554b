# How fast does a reading follow a sudden change: dead time, time constant, settling, each
# way? Ten steps each way, and stairs for the curve. Takes about 5 minutes.
title  "Step response"
start  at 10 mm
stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
step   to 30 mm
hold   8 s
repeat 10
  step   to 120 mm
  hold   5 s
  step   to 30 mm
  hold   12 s
end
