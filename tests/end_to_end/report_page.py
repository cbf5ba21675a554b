# SPDX-License-Identifier: GPL-3.0-or-later
"""The report in a real browser: report_page.py REPORT.html OUT_FOLDER
Opens it from disk, looks at every plot, zooms, saves data, prints."""
import json
import pathlib
import sys
import time

from selenium.webdriver.common.action_chains import ActionChains

from browser import browser, check, check_console, check_width, print_pdf

# Pixels of an ink on a canvas: exactly it, as only the inside of a mark has.
INK_COUNT = """
const [id, inks] = arguments;
const found = inks.map(() => 0);
document.querySelectorAll('#figure-' + id + ' .plot canvas').forEach(canvas => {
    const c = canvas.getContext('2d'), d = c.getImageData(0, 0, canvas.width, canvas.height).data;
    const wanted = inks.map(ink => [1, 3, 5].map(i => parseInt(ink.slice(i, i + 2), 16)));
    for (let i = 0; i < d.length; i += 4)
        wanted.forEach((w, k) => {
            if (d[i + 3] > 60 && Math.abs(d[i] - w[0]) < 24 && Math.abs(d[i + 1] - w[1]) < 24 &&
                Math.abs(d[i + 2] - w[2]) < 24) found[k]++;
        });
});
return found;
"""


# Whether an ink is found in the columns where x belongs.
INK_AT = """
const [id, ink, x] = arguments, plot = window.plots[id], area = plot.getArea();
const at = area.x + plot.toPercentXCoord(x) * area.w, w = [1, 3, 5].map(i => parseInt(ink.slice(i, i + 2), 16));
return [...document.querySelectorAll('#figure-' + id + ' .plot canvas')].some(canvas => {
    const ratio = canvas.width / canvas.getBoundingClientRect().width;
    const copy = document.createElement('canvas'); // reading the plot's own again and again is warned of
    [copy.width, copy.height] = [canvas.width, canvas.height];
    const c = copy.getContext('2d', {willReadFrequently: true});
    c.drawImage(canvas, 0, 0);
    const d = c.getImageData(Math.round((at - 2) * ratio), 0, Math.ceil(4 * ratio), canvas.height).data;
    for (let i = 0; i < d.length; i += 4)
        if (d[i + 3] > 60 && w.every((v, k) => Math.abs(d[i + k] - v) < 24)) return true;
    return false;
});
"""


def points_of(series):
    return sum(x is not None and y is not None for x, y in zip(series["x"], series["y"]))


def visible(figure, series):
    """A band narrower than some pixels may lie under its neighbours' edges."""
    if series["mark"] != "spans":
        return points_of(series) > 0
    x, whole = series["x"], figure["x_range"][1] - figure["x_range"][0]
    return max(b - a for a, b in zip(x[::2], x[1::2])) > 0.01 * whole


def check_figure(driver, figure):
    name = figure["id"]
    section = driver.find_element("id", "figure-" + name)
    check(figure["x_label"].strip() and figure["y_label"].strip(), f"{name}: an axis has no title")
    check(section.find_element("tag name", "p").text.strip().endswith("."), f"{name}: no sentence")
    check(figure["series"], f"{name}: no series")
    total = 0
    for series in figure["series"]:
        total += points_of(series)
    check(total > 0, f"{name}: no data")
    for axis in ("x", "y"):
        label = section.find_element("css selector", f".dygraph-{axis}label")
        check(label.text == figure[axis + "_label"], f"{name}: the {axis} axis says '{label.text}'")
    ticks = [t.text for t in section.find_elements("css selector", ".dygraph-axis-label") if t.text]
    check(len(ticks) >= 4 or figure["rows"], f"{name}: only these ticks: {ticks}")
    for row in figure["rows"]:
        check(row in ticks, f"{name}: the row '{row}' has no label")
    inks = [s["ink"] for s in figure["series"] if visible(figure, s)]
    for ink, count in zip(inks, driver.execute_script(INK_COUNT, name, inks)):
        check(count > 3, f"{name}: nothing is drawn in {ink}")
    # The still picture for paper holds the same series.
    still = section.find_element("css selector", "svg.still")
    check(still.value_of_css_property("display") == "none", f"{name}: both pictures show")
    marks = still.get_attribute("innerHTML")
    for ink in inks:
        check(ink in marks, f"{name}: the still picture lacks {ink}")


def check_logarithmic(driver, figures):
    """Points lie where the axis says, also where it is logarithmic."""
    looked_at = 0
    for figure in figures:
        for series in figure["series"]:
            if not figure["log_x"] or series["mark"] != "points":
                continue
            for x, y in zip(series["x"], series["y"]):
                if y is not None:
                    check(driver.execute_script(INK_AT, figure["id"], series["ink"], x),
                          f"{figure['id']}: no point of '{series['name']}' at {x}")
                    looked_at += 1
    check(looked_at >= 8, f"only {looked_at} points on logarithmic axes were looked at")


def window(driver, name):
    return driver.execute_script("return window.plots[arguments[0]].xAxisRange()", name)


def check_zoom(driver, figures):
    name, other = "calibration", "residuals"
    whole = window(driver, name)
    canvas = driver.find_element("css selector", f"#figure-{name} .plot")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", canvas)
    wide = canvas.size["width"]
    ActionChains(driver).move_to_element_with_offset(canvas, -wide // 8, 0).click_and_hold(). \
        move_by_offset(wide // 4, 0).release().perform()
    near = window(driver, name)
    check(near[1] - near[0] < 0.5 * (whole[1] - whole[0]), f"dragging did not zoom: {whole} {near}")
    linked = window(driver, other)
    check(abs(linked[0] - near[0]) < 1e-6 and abs(linked[1] - near[1]) < 1e-6,
          f"the residuals did not follow: {near} {linked}")
    ActionChains(driver).move_to_element(canvas).double_click().perform()
    check(window(driver, name) == whole, "a double click did not show the whole again")
    for figure in figures:
        section = driver.find_element("id", "figure-" + figure["id"])
        before = window(driver, figure["id"])
        driver.execute_script("arguments[0].click()", section.find_element("class name", "nearer"))
        after = window(driver, figure["id"])
        check(after[0] > before[0] and after[1] < before[1], f"{figure['id']}: 'nearer' does nothing")
        driver.execute_script("arguments[0].click()", section.find_element("class name", "whole"))
        check(window(driver, figure["id"]) == before, f"{figure['id']}: 'whole' does nothing")


def check_csv(driver, figure):
    text = driver.execute_async_script("""
        const done = arguments[1], link = document.querySelector('#figure-' + arguments[0] + ' .save');
        link.addEventListener('click', event => event.preventDefault());
        link.click();
        const request = new XMLHttpRequest();
        request.onload = () => done(request.responseText);
        request.onerror = () => done('');
        request.open('GET', link.href); request.send();""", figure["id"])
    lines = text.split("\r\n")
    check(lines[0] == f'series,"{figure["x_label"]}","{figure["y_label"]}",low_95,high_95',
          f"{figure['id']}: the CSV begins with {lines[0]}")
    rows = sum(len(s["x"]) for s in figure["series"])
    check(len(lines) == rows + 2 and lines[-1] == "", f"{figure['id']}: {len(lines)} lines of CSV for {rows} points")


def check_still(driver, url):
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    driver.get(url)
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    for still in driver.find_elements("css selector", "svg.still"):
        check(still.is_displayed() and still.size["height"] > 60, "without scripts a picture is missing")
    check(not driver.find_elements("css selector", ".tools:not([hidden])"), "dead buttons are shown")


def main():
    report, out = pathlib.Path(sys.argv[1]).resolve(), pathlib.Path(sys.argv[2])
    url = report.as_uri()
    check(report.stat().st_size < 5_000_000, f"the report has {report.stat().st_size} bytes")
    with browser() as driver:
        driver.get(url)
        opened = driver.execute_script("return performance.timing.loadEventEnd - performance.timing.navigationStart")
        figures = json.loads(driver.execute_script("return document.getElementById('figures').textContent"))
        asked = driver.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
        check(asked == [], f"the page asks for {asked}")
        check(len(figures) >= 6, f"only {len(figures)} figures")
        for figure in figures:
            check_figure(driver, figure)
            check_csv(driver, figure)
        check_logarithmic(driver, figures)
        check_zoom(driver, figures)
        for width in (1600, 820, 390):
            check_width(driver, width)
        pdf, sizes = print_pdf(driver, out / "report.pdf")
        check(2 <= len(sizes) <= 40, f"{len(sizes)} pages")
        for wide, high in sizes:
            check(abs(wide - 210) < 1 and abs(high - 297) < 1, f"a page of {wide:.0f} x {high:.0f} mm")
        check_console(driver)
        check_still(driver, url)
        print(f"{len(figures)} figures, opened in {opened} ms, {report.stat().st_size} bytes, {len(sizes)} pages")


if __name__ == "__main__":
    main()
