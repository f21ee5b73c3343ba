"""Lines on a terminal: times on the left, text folded, bold only where a terminal shows it."""

import re
import textwrap
from dataclasses import dataclass
from datetime import UTC, datetime

_INDENT = " " * 7
_NUMBER_AND_UNIT = re.compile(r"(\d) (?=(?:V|mV|A|Ah|%|h|min|s)\b|%)")


def clock(at: float | None) -> str:
    """Time of day on the skerry."""
    return "--:--" if at is None else f"{datetime.fromtimestamp(at, UTC):%H:%M}"


@dataclass(frozen=True, slots=True)
class Page:
    """How wide it is, and whether it can show bold."""

    width: int = 96
    bold: bool = False

    def strong(self, text: str) -> str:
        """Text that stands out."""
        return f"\x1b[1m{text}\x1b[0m" if self.bold else text

    def folded(self, text: str, indent: str = _INDENT) -> list[str]:
        """A paragraph below a time; a number stays with its unit."""
        lines = textwrap.wrap(
            _NUMBER_AND_UNIT.sub("\\1\N{NO-BREAK SPACE}", text),
            self.width,
            initial_indent=indent,
            subsequent_indent=indent,
            break_on_hyphens=False,
        )
        return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]

    def hanging(self, head: str, text: str) -> list[str]:
        """A paragraph beside its head."""
        first, *others = self.folded(text, " " * len(head))
        return [head + first[len(head) :], *others]

    def entry(self, at: float | None, text: str, *, strong: bool = False) -> list[str]:
        """A paragraph that begins with the time."""
        lines = self.folded(text)
        if not lines:
            return []
        first, *others = (line[len(_INDENT) :] for line in lines)
        marked = [self.strong(line) if strong else line for line in (first, *others)]
        return [f"{clock(at)}  {marked[0]}", *(_INDENT + line for line in marked[1:])]
