"""Where a rule stands in its file, so that what is said of it can point at the words."""

from __future__ import annotations

from dataclasses import dataclass

from watchd.documents import Document
from watchd.errors import Problem


@dataclass(frozen=True, slots=True)
class Source:
    """The entry of a rule: the `index`-th of its file."""

    document: Document
    index: int

    def problem(self, what: str, *path: str | int, at_key: bool = False) -> Problem:
        """A problem of a key, or of what stands at it."""
        return self.document.problem(what, (self.index, *path), at_key=at_key)

    def in_text(self, what: str, key: str, start: int, width: int) -> Problem:
        """A problem at some characters of the text of a key."""
        return self.document.problem_in_text(what, (self.index, key), start, width)
