"""JSONPath as RFC 9535 has it.

A path of members, indexes and wildcards alone, as nearly all are, is read and followed by
ourselves: the library (`jsonpath_library`) makes an object of every value on the way, and is large.
A test holds the two against each other.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import islice
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from watchd.telemetry.jsonpath_library import Query

# A member's name, an index, or None: all that are there.
Step = str | int | None
MOST_CHARACTERS = 500
MOST_VALUES = 1000
TOO_MANY = f"the path finds more than {MOST_VALUES} values"
# `.name`, `[*]`, `[7]`, `[-1]`: of what RFC 9535 takes, what nobody writes otherwise.
_PLAIN = re.compile(r"\$(?:\.[A-Za-z_][A-Za-z0-9_]*|\[(?:\*|0|-?[1-9][0-9]{0,8})\])*")
_STEP = re.compile(r"\.([A-Za-z_][A-Za-z0-9_]*)|\[(\*|-?[0-9]+)\]")
_QUOTED = re.compile(r"'(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\"")


class JsonPath:
    """A compiled path. Raises ValueError with a sentence for the user.

    `steps`: from the document to the values, where the path is simple enough for `follow`.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        if len(text) > MOST_CHARACTERS:
            raise ValueError(f"a JSONPath longer than {MOST_CHARACTERS} characters")
        self.steps = _plain_steps(text)
        self._query: Query | None = None
        if self.steps is None:
            from watchd.telemetry.jsonpath_library import Query  # noqa: PLC0415 - 2 MB

            query = Query(text)
            fault = _costly(text)
            if fault is not None:
                raise ValueError(f"'{text[:80]}' {fault}")
            self.steps = query.steps()
            self._query = query if self.steps is None else None

    def values(self, document: Any) -> list[Any]:
        """The values that the path selects, in document order.

        Raises ValueError where a document is too deep for it, or it selects too many.
        """
        if self._query is None:
            found = follow(self.steps or (), document)
        else:
            found = list(islice(self._query.values(document), MOST_VALUES + 1))
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


def _plain_steps(text: str) -> tuple[Step, ...] | None:
    """Of a path that needs no library to be read."""
    if _PLAIN.fullmatch(text) is None:
        return None
    return tuple(
        name or (None if place == "*" else int(place)) for name, place in _STEP.findall(text)
    )


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
