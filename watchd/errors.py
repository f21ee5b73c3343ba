"""Errors for people: what is wrong, where, and what would be right.

One root class, `WatchdError`. It is raised where a command should end with exit code 2
and one clear line for each problem; nothing else in the package needs a class of its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

LONGEST_EXCERPT = 240
# A line of a file that holds a secret, which must not go on into a terminal or a journal.
_SECRET = re.compile(
    r"(pass(word|wd|phrase)?|pwd|secret|token)['\"]?\s*:|\S:\S+@|\w://\S", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a text stands: a file (or other source) with 1-based line and column."""

    source: str
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        numbers = [str(n) for n in (self.line, self.column) if n is not None]
        return ":".join([self.source, *numbers])


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, at one place, with the line it stands in if known."""

    what: str
    place: Place | None = None
    excerpt: str | None = None
    width: int = 1

    def __str__(self) -> str:
        head = f"{self.place}: {self.what}" if self.place else self.what
        if self.excerpt is None or self.place is None or self.place.column is None:
            return head
        if len(self.excerpt) > LONGEST_EXCERPT or _SECRET.search(self.excerpt):
            return head
        # Tabs keep their width, so that the caret stands under the words in any terminal.
        lead = "".join(c if c == "\t" else " " for c in self.excerpt[: self.place.column - 1])
        carets = "^" * max(1, min(self.width, len(self.excerpt) - len(lead)))
        return f"{head}\n    {self.excerpt}\n    {lead}{carets}"


class WatchdError(Exception):
    """Input that cannot be used. Carries every problem found, not only the first."""

    def __init__(self, problems: Problem | str | Iterable[Problem]) -> None:
        if isinstance(problems, str):
            problems = Problem(problems)
        found = [problems] if isinstance(problems, Problem) else list(problems)
        self.problems: tuple[Problem, ...] = tuple(_in_order(found))
        super().__init__("\n".join(str(p) for p in self.problems))


def _in_order(problems: list[Problem]) -> list[Problem]:
    """File by file as they came, and from top to bottom in each."""
    files = list(dict.fromkeys(p.place.source for p in problems if p.place))
    return sorted(
        problems,
        key=lambda p: (
            (files.index(p.place.source), p.place.line or 0, p.place.column or 0)
            if p.place
            else (len(files), 0, 0)
        ),
    )


def names_a_secret(key: str) -> bool:
    """Whether the value of this key would be a secret."""
    return _SECRET.fullmatch(f"{key}:") is not None


def nearest(word: str, valid: Sequence[str], *, show: int = 12, many: str = "") -> str:
    """A clause that names the nearest valid word, or the valid words where none is near.

    `many` stands in for a list of more than `show` words.

    >>> nearest("max_chrge_a", ["max_charge_a", "max_discharge_a"])
    "did you mean 'max_charge_a'?"
    >>> nearest("zz", ["a", "b"])
    "expected one of 'a', 'b'"
    """
    # Without regard to case: 'over_volt' is as near to 'OVER_VOLT' as a word can be.
    folded = {v.lower(): v for v in valid}
    close = get_close_matches(word.lower(), folded, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{folded[close[0]]}'?"
    if many and len(valid) > show:
        return many
    if len(valid) == 1:
        return f"expected '{valid[0]}'"
    listed = ", ".join(f"'{v}'" for v in sorted(valid)[:show])
    rest = len(valid) - show
    return f"expected one of {listed}" + (f" and {rest} more" if rest > 0 else "")
