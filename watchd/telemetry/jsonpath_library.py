"""The paths that `jsonpath` does not read itself, by the library `jsonpath-rfc9535`.

Loaded where a config has such a path: with what it brings in, the library takes 2 MB of memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import jsonpath_rfc9535
from jsonpath_rfc9535.segments import JSONPathChildSegment
from jsonpath_rfc9535.selectors import IndexSelector, NameSelector, WildcardSelector

_POSITION = re.compile(r", line \d+, column \d+$")


class Query:
    """A compiled path. Raises ValueError with a sentence for the user."""

    def __init__(self, text: str) -> None:
        try:
            self._query = jsonpath_rfc9535.compile(text)
        except jsonpath_rfc9535.JSONPathError as error:
            # The library's message ends with a position in the path, which a reader would take for
            # one in the file.
            what = _POSITION.sub("", str(error).partition("\n")[0])
            raise ValueError(f"'{text[:80]}' is not a JSONPath (RFC 9535): {what}") from None
        except RecursionError:
            raise ValueError("this JSONPath is nested too deep") from None
        except OverflowError:
            raise ValueError("a number in this JSONPath is too large") from None

    def steps(self) -> tuple[str | int | None, ...] | None:
        """Names, indexes and wildcards (None), where it has nothing else."""
        steps: list[str | int | None] = []
        for segment in self._query.segments:
            if not isinstance(segment, JSONPathChildSegment) or len(segment.selectors) != 1:
                return None
            selector = segment.selectors[0]
            if isinstance(selector, NameSelector):
                steps.append(selector.name)
            elif isinstance(selector, IndexSelector):
                steps.append(selector.index)
            elif isinstance(selector, WildcardSelector):
                steps.append(None)
            else:
                return None
        return tuple(steps)

    def values(self, document: Any) -> Iterator[Any]:
        """What it selects, in document order. Raises ValueError where it cannot be followed."""
        try:
            for node in self._query.finditer(document):
                yield node.value
        except (jsonpath_rfc9535.JSONPathError, RecursionError):
            raise ValueError("the path cannot be followed in this document") from None
