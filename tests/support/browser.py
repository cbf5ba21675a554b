# SPDX-License-Identifier: GPL-3.0-or-later
"""Debian's chromium for the tests of what people look at: no network, a fixed size, every
console message kept. Run by /usr/bin/python3, whose selenium is Debian's."""
import base64
import contextlib
import re
import tempfile

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service


class Failed(AssertionError):
    pass


def check(condition, what):
    if not condition:
        raise Failed(what)


@contextlib.contextmanager
def browser(width=1200, height=900):
    with tempfile.TemporaryDirectory(prefix="wetsweep-browser-") as profile:
        options = Options()
        for argument in (
            "--headless=new",
            "--no-sandbox",  # tests run as root in a container too
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-background-networking",
            "--disable-component-update",
            "--no-first-run",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
            f"--user-data-dir={profile}",
            f"--window-size={width},{height}",
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        driver = webdriver.Chrome(service=Service("/usr/bin/chromedriver"), options=options)
        driver.set_page_load_timeout(60)
        driver.set_script_timeout(30)
        try:
            yield driver
        finally:
            driver.quit()


def check_console(driver):
    messages = driver.get_log("browser")
    check(not messages, f"the console says: {messages}")


def check_width(driver, width):
    """Nothing sticks out to the side on a screen this wide."""
    size = dict(width=width, height=900, deviceScaleFactor=1, mobile=False)
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    wide = driver.execute_script("return document.documentElement.scrollWidth")
    check(wide <= width, f"on a screen {width} wide the page is {wide} wide")
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def print_pdf(driver, path):
    """Prints by the page's own sizes; returns the number of pages and their sizes in mm."""
    made = driver.execute_cdp_cmd(
        "Page.printToPDF", dict(printBackground=True, preferCSSPageSize=True)
    )
    pdf = base64.b64decode(made["data"])
    with open(path, "wb") as out:
        out.write(pdf)
    boxes = re.findall(rb"/MediaBox\s*\[\s*([-\d. ]+)\]", pdf)
    sizes = []
    for box in boxes:
        x0, y0, x1, y1 = (float(v) for v in box.split())
        sizes.append(((x1 - x0) / 72 * 25.4, (y1 - y0) / 72 * 25.4))
    return pdf, sizes
