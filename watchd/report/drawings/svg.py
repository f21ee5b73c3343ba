"""A matplotlib figure as a piece of the page.

Colours become the page's variables, so that they follow light and dark; the type is the page's. Ids
that nothing refers to go, the others carry the drawing's name, since all are in one document. What
a drawing marks with `gid` is a class in it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape
from io import StringIO
from typing import Any

from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from watchd.report.drawings.paper import VARIABLES, style

_GID = "is-"  # what a gid begins with that shall be a class
_OUTSIDE = re.compile(r"^.*?(?=<svg)|<metadata>.*?</metadata>|<!--.*?-->", re.DOTALL)
_SHEET_STYLE = re.compile(r"\s*<defs>\s*<style.*?</style>\s*</defs>", re.DOTALL)
_ROOT = re.compile(r"<svg[^>]*?viewBox=\"([^\"]*)\"[^>]*>")
_COLOUR = re.compile(r"#0[123]0[123]0[1-7]\b")
# Both ways in which matplotlib writes them: in one, and each by itself.
_FONT = re.compile(r"font: ((?:bold|\d+) )?[^\";]*?([\d.]+)px [^;\"]*")
_FAMILY = re.compile(r"font-family: [^;\"]*;? ?")
_REFERENCE = re.compile(r"(?:url\(#|href=\"#)([^\")]+)")
_ID = re.compile(r' id="([^"]*)"')
_LONG = re.compile(r"(?<![\w#.-])(-?\d+\.\d{3,})")
_COORDINATES = re.compile(r'( (?:d|x|y|transform|points|width|height|style|viewBox)=")([^"]*)"')
_SPACE = re.compile(r"\s*\n\s*")


def mark(name: str) -> str:
    """The `gid` for what shall have the class `name`."""
    return _GID + name


def drawn(draw: Callable[[Any], Figure], numbers: Any, name: str, label: str) -> str:
    """The drawing as an `<svg>`; `name` is its own in the page, `label` says what it shows."""
    written = StringIO()
    with style():
        figure = draw(numbers)
        write: Callable[..., None] = FigureCanvasSVG(figure).print_svg
        write(written, metadata={"Date": None})
    text = _OUTSIDE.sub("", written.getvalue())
    text = _SHEET_STYLE.sub("", text)
    text = text.replace("xlink:href", "href")
    text = _COLOUR.sub(lambda m: f"var(--{VARIABLES[m[0]]})", text)
    text = _FONT.sub(lambda m: f"font-weight: {m[1] or 'normal'}; font-size: {m[2]}px", text)
    text = _FAMILY.sub("", text)
    text = _named(text, name)
    text = _COORDINATES.sub(lambda m: f'{m[1]}{_LONG.sub(_short, m[2])}"', text)
    root = f'<svg class="drawing" viewBox="\\1" role="img" aria-label="{escape(label)}">'
    return _SPACE.sub("\n", _ROOT.sub(root, text, count=1)).strip()


def _named(text: str, name: str) -> str:
    used = set(_REFERENCE.findall(text))

    def renamed(found: re.Match[str]) -> str:
        if found[1].startswith(_GID):
            return f' class="{found[1].removeprefix(_GID)}"'
        return f' id="{name}-{found[1]}"' if found[1] in used else ""

    return _REFERENCE.sub(
        lambda m: m[0].replace(f"#{m[1]}", f"#{name}-{m[1]}"), _ID.sub(renamed, text)
    )


def _short(found: re.Match[str]) -> str:
    return f"{float(found[1]):.2f}".rstrip("0").rstrip(".")
