"""A message on the keeper's phone, drawn in a terminal."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

WIDTH = 64
INDENT = "       "
_MOST_LINES = 12


@dataclass(frozen=True, slots=True)
class Card:
    """A message as a phone shows it: when it came, a title, and lines below it."""

    when: str
    title: str
    message: str
    urgent: bool = False


def drawn(card: Card, *, width: int = WIDTH, bold: bool = False) -> list[str]:
    """The card's lines; none is wider than `width` and the indent."""
    inner = width - 4
    rule = "━" if card.urgent else "─"
    head = f"╭{rule} {card.when} "
    lines = [head + rule * (width - len(head) - 1) + "╮"]
    titles = textwrap.wrap(card.title, inner, break_on_hyphens=False) or [""]
    lines += [_row(title, inner, bold=bold) for title in titles]
    lines += [_row(line, inner) for line in _body(card.message, inner)]
    return [INDENT + line for line in (*lines, f"╰{rule * (width - 2)}╯")]


def _row(text: str, inner: int, *, bold: bool = False) -> str:
    padded = f"{text:<{inner}}"
    return f"│ \x1b[1m{padded}\x1b[0m │" if bold else f"│ {padded} │"


def _body(message: str, inner: int) -> list[str]:
    found: list[str] = []
    for paragraph in message.splitlines():
        found += textwrap.wrap(paragraph, inner, break_on_hyphens=False)
    if len(found) > _MOST_LINES:
        # A phone shows the first lines, and the rest when one opens it.
        found = [*found[: _MOST_LINES - 1], "..."]
    return found
