"""JSONPath as RFC 9535 has it, by the library `jsonpath-rfc9535`."""

from __future__ import annotations

from typing import Any

import jsonpath_rfc9535


class JsonPath:
    """A compiled path. Raises ValueError with a sentence for the user."""

    def __init__(self, text: str) -> None:
        self.text = text
        try:
            self._query = jsonpath_rfc9535.compile(text)
        except jsonpath_rfc9535.JSONPathError as error:
            # The library's message ends with its own position, which counts from the path's start.
            what = str(error).splitlines()[0]
            raise ValueError(f"'{text}' is not a JSONPath (RFC 9535): {what}") from None

    def values(self, document: Any) -> list[Any]:
        """The values that the path selects, in document order."""
        return list(self._query.find(document).values())


def check_path(text: str) -> None:
    """Raise ValueError unless `text` is a JSONPath."""
    JsonPath(text)
