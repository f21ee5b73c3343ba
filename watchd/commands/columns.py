"""Tables and charts for a terminal, down to the 60 columns of a telephone's."""

from __future__ import annotations

import re
import shutil
import textwrap
from collections.abc import Iterator, Sequence

NARROWEST, WIDEST = 40, 80
BAR = "#"
_UNIT = re.compile(r"(?<=\d) (%|°C|(?:mV|Ah|mΩ|V|A|W|h|d|s|min)\b)")
_HELD = "\x00"  # a space at which no line ends


def terminal_width() -> int:
    """Columns to write in: those of the terminal, but at most 80."""
    return min(WIDEST, max(NARROWEST, shutil.get_terminal_size((WIDEST, 24)).columns))


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Lines of a table: the first column stands to the left, the others to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(head, *rows, strict=True)]
    for row in (head, *rows):
        first, *others = (
            cell.ljust(width) if index == 0 else cell.rjust(width)
            for index, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        yield "  ".join([first, *others]).rstrip()


def bar(number: float, largest: float, width: int) -> str:
    """A bar of `width` for the largest; anything above 0 shows."""
    if number <= 0:
        return ""
    return BAR * max(1, round(width * number / largest))


def listed(label: str, words: Sequence[str]) -> Iterator[str]:
    """`label: word, word, ...` over as many lines as it takes."""
    yield from wrapped(f"{label}: {', '.join(words)}", "")


def paragraph(text: str, first: str, rest: str) -> Iterator[str]:
    """A text over as many lines as it takes, with what stands before the first and the others.

    A number stays on a line with its unit.
    """
    kept = _UNIT.sub(f"{_HELD}\\1", text).replace("± ", f"±{_HELD}")
    lines = textwrap.wrap(
        kept,
        terminal_width(),
        initial_indent=first,
        subsequent_indent=rest,
        break_on_hyphens=False,
        break_long_words=False,
    )
    yield from (line.replace(_HELD, " ") for line in lines)


def wrapped(text: str, indent: str) -> Iterator[str]:
    """A text over as many lines as it takes; the first is indented by `indent`, others by two."""
    # A name has hyphens, and is never cut at them.
    yield from textwrap.wrap(
        text,
        terminal_width(),
        initial_indent=indent,
        subsequent_indent="  ",
        break_on_hyphens=False,
    )
