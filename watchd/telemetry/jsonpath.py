"""JSONPath as RFC 9535 has it, by the library `jsonpath-rfc9535`."""

from __future__ import annotations

import re
from typing import Any

import jsonpath_rfc9535

_POSITION = re.compile(r", line \d+, column \d+$")


class JsonPath:
    """A compiled path. Raises ValueError with a sentence for the user."""

    def __init__(self, text: str) -> None:
        self.text = text
        try:
            self._query = jsonpath_rfc9535.compile(text)
        except jsonpath_rfc9535.JSONPathError as error:
            # The library's message ends with a position in the path, which a reader would take for
            # one in the file.
            what = _POSITION.sub("", str(error).partition("\n")[0])
            raise ValueError(f"'{text[:80]}' is not a JSONPath (RFC 9535): {what}") from None
        except RecursionError:
            raise ValueError("this JSONPath is nested too deep") from None

    def values(self, document: Any) -> list[Any]:
        """The values that the path selects, in document order."""
        return list(self._query.find(document).values())


def check_path(text: str) -> None:
    """Raise ValueError unless `text` is a JSONPath."""
    JsonPath(text)
