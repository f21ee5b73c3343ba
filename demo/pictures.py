"""Makes README.md's pictures of what demo/run.sh left in demo/out: `python -m demo.pictures`.

The report in headless Chromium, at the width of a desktop and of a phone, light and dark; and some
lines of the season's terminal as text in an SVG, which follows the reader's light or dark itself.
It needs the extra `test` (selenium), chromium and chromedriver.
"""

from __future__ import annotations

import argparse
import io
import shutil
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

ROOT = Path(__file__).parents[1]
OUT = ROOT / "demo" / "out"
PICTURES = ROOT / "docs" / "pictures"
_COLOURS = 128
_SVG_LINE_PX, _SVG_CHAR_PX, _SVG_FONT_PX, _SVG_EDGE_PX = 19, 8.43, 14, 18
_STYLE = (
    "text{font-family:ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace;"
    "font-size:14px;fill:#1f2a33}.back{fill:#f6f8f7}.week{font-weight:700;fill:#14532d}"
    ".true{fill:#7a5a12}"
    "@media(prefers-color-scheme:dark){text{fill:#d7e0e4}.back{fill:#131a1f}"
    ".week{fill:#8fd3a6}.true{fill:#d9b868}}"
)


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture of the report."""

    name: str
    width_px: int
    height_px: int
    scale: float
    dark: bool
    anchor: str = ""
    """What of the page is at the top of the picture."""


SHOTS = (
    Shot("report-desktop-light", 1080, 900, 1.5, dark=False),
    Shot("report-desktop-dark", 1080, 900, 1.5, dark=True),
    Shot("report-phone-light", 390, 660, 1.5, dark=False, anchor="pack-auk"),
    Shot("report-phone-dark", 390, 660, 1.5, dark=True, anchor="pack-auk"),
)


def shots(report: Path, folder: Path) -> Iterator[Path]:
    """Take each of `SHOTS` of the report."""
    options = webdriver.ChromeOptions()
    for argument in ("--headless=new", "--no-sandbox", "--hide-scrollbars", "--disable-gpu"):
        options.add_argument(argument)
    browser = webdriver.Chrome(options, Service(shutil.which("chromedriver") or "chromedriver"))
    try:
        for shot in SHOTS:
            browser.execute_cdp_cmd(
                "Emulation.setDeviceMetricsOverride",
                {
                    "width": shot.width_px,
                    "height": shot.height_px,
                    "deviceScaleFactor": shot.scale,
                    "mobile": shot.width_px < 600,
                },
            )
            scheme = {"name": "prefers-color-scheme", "value": "dark" if shot.dark else "light"}
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
            browser.get("about:blank")  # or an anchor of the same page would not be gone to anew
            browser.get(f"{report.resolve().as_uri()}#{shot.anchor}")
            path = folder / f"{shot.name}.png"
            _write_small(browser.get_screenshot_as_png(), path)
            yield path
    finally:
        browser.quit()


def _write_small(png: bytes, path: Path) -> None:
    """The picture with few colours: a page has few, and a README is loaded often."""
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    picture.quantize(_COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)


def terminal_svg(lines: Sequence[str]) -> str:
    """Lines of a terminal as an SVG."""
    width = round(max(map(len, lines)) * _SVG_CHAR_PX + 2 * _SVG_EDGE_PX)
    height = len(lines) * _SVG_LINE_PX + 2 * _SVG_EDGE_PX
    parts = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
            f'width="{width}" height="{height}" role="img"><title>The season in a terminal</title>'
        ),
        f'<style>{_STYLE}</style><rect class="back" width="100%" height="100%" rx="10"/>',
    ]
    for number, line in enumerate(lines):
        if not line.strip():
            continue
        y = _SVG_EDGE_PX + _SVG_FONT_PX + number * _SVG_LINE_PX
        kind = "week" if line.startswith("week") else "true" if "»" in line else ""
        of_kind = f' class="{kind}"' if kind else ""
        length = f'textLength="{len(line) * _SVG_CHAR_PX:.1f}"'
        parts.append(
            f'<text x="{_SVG_EDGE_PX}" y="{y}" {length} xml:space="preserve"{of_kind}>'
            f"{escape(line)}</text>"
        )
    return "\n".join([*parts, "</svg>\n"])


def excerpt(text: str, begins: str, ends: str) -> list[str]:
    """The lines from the first that has `begins` to the next one that has `ends`."""
    lines = text.splitlines()
    first = next(number for number, line in enumerate(lines) if begins in line)
    last = next(n for n, line in enumerate(lines) if n > first and ends in line)
    return lines[first : last + 1]


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(prog="python -m demo.pictures", description=__doc__)
    parser.add_argument("--from", dest="source", type=Path, default=OUT, metavar="FOLDER")
    parser.add_argument("--to", type=Path, default=PICTURES, metavar="FOLDER")
    asked = parser.parse_args()
    report, shown = asked.source / "report.html", asked.source / "season.txt"
    for needed in (report, shown):
        if not needed.exists():
            print(f"demo: {needed} is not there; run demo/run.sh first", file=sys.stderr)
            return 2
    asked.to.mkdir(parents=True, exist_ok=True)
    svg = asked.to / "season.svg"
    svg.write_text(terminal_svg(excerpt(shown.read_text(), "» Storm", "week  4")))
    for path in (svg, *shots(report, asked.to)):
        print(f"{path}  {path.stat().st_size / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
