"""The page as a browser lays it out, on a phone and on a desk, in light and in dark."""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Callable, Iterator
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from selenium.webdriver import Chrome
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from tests.report.pages import page
from tests.report.seasons import autumn, report_on
from watchd.loading import load_rules, shipped

pytestmark = pytest.mark.browser

PHONE, TABLET, DESK = 360, 800, 1280
SCHEMES = ("light", "dark")
# WCAG 2.1, success criterion 1.4.3: text of usual size.
LEAST_CONTRAST = 4.5
LEAST_TEXT_PX = 9.0

# The formulas of relative luminance and contrast ratio are those of WCAG 2.1.
_CONTRAST = """
const channels = c => c.match(/[\\d.]+/g).map(Number);
const linear = v => (v /= 255) <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
const luminance = c => { const [r, g, b] = channels(c).map(linear);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
const behind = e => { for (; e; e = e.parentElement) {
  const c = getComputedStyle(e).backgroundColor; if (channels(c)[3] !== 0) return c; }
  return getComputedStyle(document.documentElement).backgroundColor; };
const ratio = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((m, n) => n - m);
  return (x + 0.05) / (y + 0.05); };
"""
_TEXTS = """
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
while (walker.nextNode()) { const text = walker.currentNode.data.trim();
  const element = walker.currentNode.parentElement;
  if (!text || !element.getClientRects().length) continue;
  const style = getComputedStyle(element), drawing = element.closest('svg');
  found.push([text, drawing !== null,
    ratio(drawing ? style.fill : style.color, behind(element)), parseFloat(style.opacity)]);
} return found;
"""
_SIZES = """
return [...document.querySelectorAll('svg.drawing text')].map(t => { const svg = t.closest('svg');
  return [t.textContent, parseFloat(getComputedStyle(t).fontSize)
    * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width]; });
"""
_PLACES = """
return [...document.querySelectorAll('svg.drawing')].map(svg => [
  svg.getAttribute('aria-label'), svg.getBoundingClientRect().toJSON(),
  [...svg.querySelectorAll('text')].map(t => [t.textContent, t.getBoundingClientRect().toJSON()])]);
"""
_STEPS = """
return [-3, -2, -1, 0, 1, 2, 3].map(n => { const path = document.querySelector(`.step${n} path`);
  return path ? luminance(getComputedStyle(path).fill) : null; });
"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    rules = {r.name: r for r in load_rules(shipped("rules"))}
    path: Path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(page(report_on(autumn(), rules=rules)), "utf-8")
    return path.as_uri()


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    options = Options()
    profile = tmp_path_factory.mktemp("profile")
    for argument in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
        "--hide-scrollbars", f"--user-data-dir={profile}",
    ):  # fmt: skip
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    options.binary_location = shutil.which("chromium") or ""
    driver = Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        yield driver
    finally:
        driver.quit()


def look(
    browser: Chrome, address: str, width: int, scheme: str = "light", sees: str = "none"
) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width == PHONE},
    )
    scheme_wanted = {"name": "prefers-color-scheme", "value": scheme}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme_wanted]})
    browser.execute_cdp_cmd("Emulation.setEmulatedVisionDeficiency", {"type": sees})
    browser.get(address)


def test_nothing_is_fetched_and_nothing_is_wrong(browser: Chrome, address: str) -> None:
    log: Callable[[str], list[dict[str, str]]] = browser.get_log
    browser.get("about:blank")
    log("performance")  # what the browser fetches for itself when it starts
    look(browser, address, PHONE)
    assert browser.execute_script("return performance.getEntriesByType('resource').length") == 0
    assert log("browser") == []
    sent = [e["message"] for e in log("performance") if "requestWillBeSent" in e["message"]]
    addresses = {
        found["message"]["params"]["request"]["url"]
        for message in sent
        if (found := json.loads(message))["message"]["method"] == "Network.requestWillBeSent"
    }
    assert addresses <= {address, "about:blank"}


@pytest.mark.parametrize("width", [PHONE, TABLET, DESK])
def test_no_page_is_wider_than_its_screen(browser: Chrome, address: str, width: int) -> None:
    look(browser, address, width)
    script = "document.querySelectorAll('details').forEach(d => d.open = true);"
    measured = "return [document.scrollingElement.scrollWidth, innerWidth]"
    wide, screen = browser.execute_script(script + measured)
    assert screen == width
    assert wide <= screen


@pytest.mark.parametrize("scheme", SCHEMES)
def test_text_stands_out_from_what_is_behind_it(browser: Chrome, address: str, scheme: str) -> None:
    look(browser, address, DESK, scheme)
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    found: list[Any] = browser.execute_script(_CONTRAST + _TEXTS)
    assert sum(in_drawing for _, in_drawing, *_ in found) > 300
    assert sum(not in_drawing for _, in_drawing, *_ in found) > 500
    weak = [
        (text, ratio) for text, _, ratio, opacity in found if ratio < LEAST_CONTRAST or opacity < 1
    ]
    assert not weak


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_page_follows_the_scheme(browser: Chrome, address: str, scheme: str) -> None:
    look(browser, address, DESK, scheme)
    paper, ink = browser.execute_script(
        f"{_CONTRAST} return [luminance(behind(document.body)), "
        "luminance(getComputedStyle(document.querySelector('svg .full use')).fill)]"
    )
    assert (paper > ink) is (scheme == "light")


@pytest.mark.parametrize("width", [PHONE, TABLET, DESK])
def test_text_in_drawings_is_large_enough(browser: Chrome, address: str, width: int) -> None:
    look(browser, address, width)
    sizes: list[Any] = browser.execute_script(_SIZES)
    assert len(sizes) > 300
    small = [found for found in sizes if found[1] < LEAST_TEXT_PX]
    assert not small


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_words_in_drawings_are_whole_and_apart(browser: Chrome, address: str, width: int) -> None:
    look(browser, address, width)
    for label, sheet, texts in browser.execute_script(_PLACES):
        for number, (text, box) in enumerate(texts):
            assert box["left"] >= sheet["left"] - 1, (label, text)
            assert box["right"] <= sheet["right"] + 1, (label, text)
            for other, its in texts[number + 1 :]:
                # A line's box is a little higher than its letters.
                over = min(box["bottom"], its["bottom"]) - max(box["top"], its["top"])
                beside = min(box["right"], its["right"]) - max(box["left"], its["left"])
                assert over < 4 or beside < 0.5, (label, text, other)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_steps_of_the_cells_differ_in_lightness(
    browser: Chrome, address: str, scheme: str
) -> None:
    look(browser, address, DESK, scheme)
    steps: list[float | None] = browser.execute_script(_CONTRAST + _STEPS)
    away = [[v for v in side if v is not None] for side in (steps[3::-1], steps[3:])]
    for side in away:
        assert len(side) >= 3
        darker = scheme == "light"
        for near, far in pairwise(side):
            assert (far < near) is darker
            assert (max(near, far) + 0.05) / (min(near, far) + 0.05) > 1.25


@pytest.mark.parametrize("scheme", SCHEMES)
def test_without_colour_nothing_is_lost(browser: Chrome, address: str, scheme: str) -> None:
    look(browser, address, DESK, scheme, "achromatopsia")
    # Lines by their strokes, bars by their hatching: as the browser draws them.
    strokes = browser.execute_script(
        """
        const all = name => [...document.querySelectorAll(`#pack-cedar .${name} path`)];
        const dash = name => getComputedStyle(all(name)[0]).strokeDasharray;
        const fill = name => all(name).some(p => getComputedStyle(p).fill.startsWith('url'));
        return [dash('bms'), dash('own'), fill('in'), fill('out')];
        """
    )
    assert strokes[0] == "none"
    assert strokes[1] != "none"
    assert strokes[2:] == [False, True]
    clip = browser.execute_script(
        "return document.querySelectorAll('#pack-cedar svg')[1].getBoundingClientRect().toJSON()"
    )
    shot = browser.execute_cdp_cmd(
        "Page.captureScreenshot",
        {
            "clip": {k: clip[k] for k in ("x", "y", "width", "height")} | {"scale": 2},
            "captureBeyondViewport": True,
        },
    )
    with Image.open(BytesIO(base64.b64decode(shot["data"]))) as image:
        found = image.convert("RGB").getcolors(1 << 20) or []
    assert all(max(rgb) - min(rgb) <= 2 for _, rgb in found if isinstance(rgb, tuple))
    large = sorted({rgb[0] for n, rgb in found if n > 400 and isinstance(rgb, tuple)})
    assert sum(b - a >= 8 for a, b in pairwise(large)) >= 3, large


def test_it_prints_in_black_on_white(browser: Chrome, address: str) -> None:
    look(browser, address, DESK, "dark")
    browser.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"media": "print", "features": [{"name": "prefers-color-scheme", "value": "dark"}]},
    )
    paper, ink, tables = browser.execute_script(
        "const s = getComputedStyle(document.body); return [s.backgroundColor, s.color, "
        "[...document.querySelectorAll('details')].filter(d => d.getClientRects().length).length]"
    )
    assert paper == "rgb(255, 255, 255)"
    assert ink == "rgb(28, 27, 24)"
    assert tables == 0
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
