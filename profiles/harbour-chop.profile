# How well does a board follow the water that it is made for? The chop of a model harbour
# basin, two minutes of it (harbour-chop.csv, invented: waves from 0.35 Hz to 1.3 Hz on a slow
# seiche), and stairs for the curve. Takes about 200 s.
title  "Harbour chop"
start  at 10 mm
stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
step   to 80 mm
hold   5 s
follow "harbour-chop.csv"
hold   5 s
