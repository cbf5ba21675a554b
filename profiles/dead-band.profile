# How far must the water turn back before the reading follows? Steps back of 0.05 mm to
# 1.6 mm, each after a long run the other way, from both sides, and stairs for the curve. Takes
# about 8 minutes. Choose the steps around the dead band that the board may have.
title  "Dead band"
start  at 10 mm
stairs from 10 mm to 150 mm in 7 steps, hold 3 s, up and down
each back 79.95, 79.9, 79.8, 79.6, 79.2, 78.4 mm
  repeat 3
    ramp  to 70 mm at 20 mm/s
    ramp  to 80 mm at 20 mm/s
    hold  5 s
    ramp  to back at 2 mm/s
    hold  5 s
  end
end
each back 80.05, 80.1, 80.2, 80.4, 80.8, 81.6 mm
  repeat 3
    ramp  to 90 mm at 20 mm/s
    ramp  to 80 mm at 20 mm/s
    hold  5 s
    ramp  to back at 2 mm/s
    hold  5 s
  end
end
