"""Errors for people: what is wrong, where, and what would be right.

One root class, `WatchdError`. It is raised where a command should end with exit code 2
and one clear line for each problem; nothing else in the package needs a class of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

LONGEST_EXCERPT = 240


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
        if len(self.excerpt) > LONGEST_EXCERPT:
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
        self.problems: tuple[Problem, ...] = (
            (problems,) if isinstance(problems, Problem) else tuple(problems)
        )
        super().__init__("\n".join(str(p) for p in self.problems))


def nearest(word: str, valid: Sequence[str], *, show: int = 12) -> str:
    """A clause that names the nearest valid word, or the valid words where none is near.

    >>> nearest("max_chrge_a", ["max_charge_a", "max_discharge_a"])
    "did you mean 'max_charge_a'?"
    >>> nearest("zz", ["a", "b"])
    "expected one of 'a', 'b'"
    """
    close = get_close_matches(word, valid, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    listed = ", ".join(f"'{v}'" for v in sorted(valid)[:show])
    rest = len(valid) - show
    return f"expected one of {listed}" + (f" and {rest} more" if rest > 0 else "")
