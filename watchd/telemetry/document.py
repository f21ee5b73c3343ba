"""A payload as JSON: read by the fastest decoder, and refused by the words of another.

The two agree on every text but these. `msgspec` refuses a number too large for a float, where
`pydantic_core` gives an infinity; it nests as deep as the stack goes; and it takes more digits
before a point or an exponent. All these cases go to the second; a test holds the two against each
other.
"""

from __future__ import annotations

from typing import Any

import msgspec
from pydantic_core import from_json

# What `pydantic_core` nests at most.
DEEPEST = 200
# The most digits that `pydantic_core` takes, which a shorter payload cannot exceed.
MOST_DIGITS = 4300
_decode = msgspec.json.Decoder().decode


class PayloadError(Exception):
    """A payload that cannot be used; the text says why, without the payload itself."""


def document_of(payload: bytes) -> Any:
    """The JSON document that a payload is. Raises PayloadError."""
    size = len(payload)
    # Each level takes two bytes at least, its brackets.
    if size <= 2 * DEEPEST or (
        size <= MOST_DIGITS and payload.count(b"[") + payload.count(b"{") <= DEEPEST
    ):
        try:
            return _decode(payload)
        except (msgspec.MsgspecError, ValueError, RecursionError):
            pass
    return _decoded_with_a_reason(payload)


def text_of(payload: bytes) -> str:
    """The text that a payload is. Raises PayloadError."""
    try:
        return payload.decode()
    except UnicodeDecodeError:
        raise PayloadError("not UTF-8") from None


def _decoded_with_a_reason(payload: bytes) -> Any:
    try:
        # Refuses NaN and infinities, which JSON does not have, and nesting beyond its own bound.
        return from_json(payload, allow_inf_nan=False)
    except ValueError as error:
        reason = str(error).split(" at line")[0]
        if "recursion" in reason:
            raise PayloadError("nested too deep") from None
        text_of(payload)
        raise PayloadError(f"not JSON: {reason}") from None
