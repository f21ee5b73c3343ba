"""JSONPath as RFC 9535 has it, by the library `jsonpath-rfc9535`.

A path of members, indexes and wildcards alone, as nearly all are, is followed by ourselves: the
library makes an object of every value on the way. A test holds the two against each other.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import islice
from typing import Any

import jsonpath_rfc9535
from jsonpath_rfc9535.segments import JSONPathChildSegment
from jsonpath_rfc9535.selectors import IndexSelector, NameSelector, WildcardSelector

# A member's name, an index, or None: all that are there.
Step = str | int | None
MOST_CHARACTERS = 500
MOST_VALUES = 1000
TOO_MANY = f"the path finds more than {MOST_VALUES} values"
_POSITION = re.compile(r", line \d+, column \d+$")
_QUOTED = re.compile(r"'(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\"")


class JsonPath:
    """A compiled path. Raises ValueError with a sentence for the user.

    `steps`: from the document to the values, where the path is simple enough for `follow`.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        if len(text) > MOST_CHARACTERS:
            raise ValueError(f"a JSONPath longer than {MOST_CHARACTERS} characters")
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
        fault = _costly(text)
        if fault is not None:
            raise ValueError(f"'{text[:80]}' {fault}")
        self.steps = _steps_of(self._query)

    def values(self, document: Any) -> list[Any]:
        """The values that the path selects, in document order.

        Raises ValueError where a document is too deep for it, or it selects too many.
        """
        if self.steps is not None:
            found = follow(self.steps, document)
            if len(found) > MOST_VALUES:
                raise ValueError(TOO_MANY)
            return found
        try:
            found = [n.value for n in islice(self._query.finditer(document), MOST_VALUES + 1)]
        except (jsonpath_rfc9535.JSONPathError, RecursionError):
            raise ValueError("the path cannot be followed in this document") from None
        if len(found) > MOST_VALUES:
            raise ValueError(TOO_MANY)
        return found


def follow(steps: tuple[Step, ...], document: Any) -> list[Any]:
    """The values to which steps lead, in document order; may be the document's own list."""
    found = [document]
    for step in steps:
        if isinstance(step, str):
            try:
                found = [v[step] for v in found]
            except (KeyError, TypeError):  # of what JSON has, only an object takes a name
                found = [v[step] for v in found if isinstance(v, dict) and step in v]
        elif step is None:
            if len(found) == 1 and isinstance(found[0], list):
                found = found[0]
            else:
                found = [item for v in found for item in _items(v)]
        else:
            found = [v[step] for v in found if isinstance(v, list) and -len(v) <= step < len(v)]
    return found


def _items(value: Any) -> Iterable[Any]:
    if isinstance(value, dict):
        return value.values()
    return value if isinstance(value, list) else ()


def _steps_of(query: jsonpath_rfc9535.JSONPathQuery) -> tuple[Step, ...] | None:
    steps: list[Step] = []
    for segment in query.segments:
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


def _costly(text: str) -> str | None:
    """Why a path could take far longer than its document is long, which is a stranger's.

    A pattern can try for ever where it nearly matches, and each of `..` and a filter inside of a
    filter goes through all of the document again for each of its parts.
    """
    bare = _QUOTED.sub("''", text)
    if re.search(r"\b(match|search)\s*\(", bare):
        return "has a pattern (match, search), which could take for ever on a hostile payload"
    if bare.count("..") > 1:
        return "has more than one '..'"
    if bare.count("?") > 1 or (".." in bare and "?" in bare and bare.index("?") < bare.index("..")):
        return "has more than one filter, or '..' in a filter"
    if "?" in bare and "$" in bare[1:]:
        return "begins again from '$' in a filter"
    return None


def check_path(text: str) -> None:
    """Raise ValueError unless `text` is a JSONPath."""
    JsonPath(text)
