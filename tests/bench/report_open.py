#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""How long chromium takes to open a report from the disk, until every plot is drawn: seconds, median of
five. /usr/bin/python3 tests/bench/report_open.py REPORT.html (needs chromium, chromium-driver, python3-selenium)."""
import os
import statistics
import sys
import time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "support"))
from browser import browser

times = []
with browser() as driver:
    for _ in range(5):
        driver.get("about:blank")
        begun = time.monotonic()
        driver.get("file://" + os.path.abspath(sys.argv[1]))
        driver.execute_async_script("const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(done));")
        times.append(time.monotonic() - begun)
        plots = driver.execute_script("return document.querySelectorAll('canvas').length")
print(f"{os.path.getsize(sys.argv[1]) / 1e6:.2f} MB, {plots} canvases: {statistics.median(times):.2f} s ({min(times):.2f} to {max(times):.2f})")
