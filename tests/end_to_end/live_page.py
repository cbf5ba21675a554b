# SPDX-License-Identifier: GPL-3.0-or-later
"""The live page of a run that goes on, in a browser and by hand: URL TOKEN."""
import json
import socket
import sys
import time
import urllib.error
import urllib.parse
import urllib.request

from browser import browser, check, check_console
from selenium.webdriver.common.by import By

url, token = sys.argv[1:3]
parts = urllib.parse.urlsplit(url)
place = (parts.hostname, parts.port)


def ask(path, method="GET", body=None, headers={}):
    """Status of an answer, and its text."""
    request = urllib.request.Request(url + path, data=body, method=method, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=10) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


def now():
    return json.loads(ask("state")[1])["now"]


def until(what, words, seconds=60):
    for _ in range(seconds * 10):
        if what():
            return
        time.sleep(0.1)
    check(False, words)


def hostile():
    """None of this may be answered with more than a refusal."""
    check(ask("state", headers={"Host": "harbour.example.org"})[0] == 421, "another host was answered")
    for path in ("..%2f..%2fetc/passwd", "run.json", "state/", "x" * 3000):
        check(ask(path)[0] in (400, 404), f"{path[:30]} was answered")
    for method in ("PUT", "DELETE", "OPTIONS", "TRACE", "PATCH"):
        check(ask("state", method)[0] in (400, 405), f"{method} was answered")
    check(ask("stop", "GET")[0] == 405, "GET may stop")
    check(ask("stop", "POST", b"x" * 5000)[0] == 413, "a large body was taken")
    check(ask("stop", "POST", token.encode(), {"Origin": "http://harbour.example.org"})[0] == 403,
          "another page's token was taken")
    try:
        check(ask("state", headers={"X-Long": "y" * 40000})[0] in (400, 413, 431), "a long header was taken")
    except (urllib.error.URLError, ConnectionError):
        pass  # cut off: as good
    # Thousands of connections that say nothing, or say it slowly: others are still served.
    idle = []
    for i in range(3000):
        if len(idle) == 600:
            idle.pop(0).close()
        try:
            one = socket.create_connection(place, timeout=1)
            if i % 2:
                one.sendall(b"GET /state HTTP/1.1\r\nHost: 127")
            idle.append(one)
        except OSError:
            break
    check(len(idle) > 60, f"{len(idle)} connections")
    until(lambda: served(), "nobody is served beside idle connections", 30)
    for one in idle:
        one.close()


def served():
    try:
        return ask("state")[0] == 200
    except OSError:
        return False


until(lambda: now()["phase"] == "measuring" and now()["rows"] > 50, "the run does not begin")
first = now()
with browser() as driver:
    driver.get(url)
    text = lambda name: driver.find_element(By.ID, name).text
    until(lambda: "mm" in text("depth"), "no depth on the page")
    check("long.profile" in text("who"), f"the page is of {text('who')}")
    seen = set()
    until(lambda: seen.add(text("depth")) or len(seen) > 4, f"the depth stands still: {seen}")
    check(driver.find_element(By.CSS_SELECTOR, "#trace-depth path").is_displayed(), "no trace")
    hostile()
    after = now()
    check(after["rows"] > first["rows"] and after["lost"] == 0 and after["malformed"] == 0, f"{after}")
    check_console(driver)
    # Without the token nothing stops; with it the run does.
    check(driver.find_element(By.ID, "stopping").is_displayed(), "no button to stop")
    field = driver.find_element(By.ID, "token")
    button = driver.find_element(By.CSS_SELECTOR, "#stop button")
    field.send_keys("0" * 32)
    button.click()
    until(lambda: text("answer"), "no answer to a wrong token")
    check(not now()["stopping"], "a wrong token stops the run")
    field.clear()
    field.send_keys(token)
    button.click()
    until(lambda: now()["stopping"] or now()["state"] == "stopped", "the token does not stop the run")
print("the page follows, refuses, and stops")
