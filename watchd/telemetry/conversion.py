"""Their values into ours: the one place where a value is converted, and refused that cannot be.

Each raises PayloadError.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from watchd.config import FieldMap
from watchd.telemetry.document import PayloadError
from watchd.telemetry.events import EVENTS
from watchd.telemetry.names import PROTECTION, RANGES

_YES = frozenset({"true", "on", "yes", "1"})
_NO = frozenset({"false", "off", "no", "0"})
_CELL_RANGE = RANGES["cell_v"]
_OUR_WORDS = {event: event for event in EVENTS}
MOST_KEPT = 2048
MOST_MASKS_KEPT = 256


class Numbers(dict[Any, float]):
    """Raw numbers of one mapped field to ours, converted and checked when first asked for.

    A sensor gives the same few thousand numbers for ever, so that most conversions are a look-up.
    Raises PayloadError for what is no number of this field, and TypeError for a list or object.
    """

    def __init__(self, name: str, field: FieldMap) -> None:
        super().__init__()
        self._name, self._field = name, field

    def __missing__(self, raw: Any) -> float:
        value = number(self._name, raw, self._field)
        # True and False are equal to 1 and 0, and must not be found in their place.
        if raw not in (0, 1):
            if len(self) >= MOST_KEPT:
                self.clear()
            self[raw] = value
        return value


class Events:
    """Protection events of one mapped field whose words, if it has some, are all known."""

    def __init__(self, field: FieldMap) -> None:
        self._field = field
        self._masks: dict[int, tuple[str, ...]] | None = None if field.bits is None else {0: ()}

    def read(self, raw: Any) -> tuple[str, ...]:
        """The events that a value holds. Raises PayloadError also for an unknown word."""
        masks = self._masks
        if masks is None or type(raw) is not int:  # true is equal to 1
            unmapped: list[str] = []
            found = events(raw, self._field, unmapped)
            if unmapped:
                raise PayloadError("protection: a word that is not mapped")
            return found
        kept = masks.get(raw)
        if kept is None:
            kept = events(raw, self._field, [])
            if len(masks) < MOST_MASKS_KEPT and raw < 1 << 64:
                masks[raw] = kept
        return kept


def number(name: str, raw: Any, field: FieldMap) -> float:
    """A measurement or setting, in our unit."""
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        kind = {str: "text", bool: "true/false", type(None): "null"}.get(type(raw), "not a number")
        raise PayloadError(f"{name}: {kind} where a number belongs")
    try:
        value = float(raw * field.scale + field.offset)
    except OverflowError:
        value = math.inf
    allowed = _CELL_RANGE if name.startswith("setting.") else RANGES[name]
    if not allowed.low <= value <= allowed.high:
        raise PayloadError(f"{name}: outside {allowed.low:g} to {allowed.high:g}")
    # Conversion leaves digits that no sensor has (3312 * 0.001 = 3.3120000000000003).
    return round(value, 6)


def flag(name: str, raw: Any) -> bool:
    """A yes or no, in the ways of the field."""
    if isinstance(raw, bool):
        return raw
    if isinstance(raw, int | float) and raw in (0, 1):
        return bool(raw)
    if isinstance(raw, str) and raw.strip().lower() in _YES:
        return True
    if isinstance(raw, str) and raw.strip().lower() in _NO:
        return False
    raise PayloadError(f"{name}: neither yes nor no")


def events(raw: Any, field: FieldMap, unmapped: list[str]) -> tuple[str, ...]:
    """Protection events in our names; words that the mapping does not know go to `unmapped`."""
    if field.when_true is not None:
        return (field.when_true,) if flag(PROTECTION, raw) else ()
    if field.bits is not None:
        is_number = isinstance(raw, int | float) and not isinstance(raw, bool)
        # 1e400 is an infinity by now.
        if not is_number or not 0 <= raw < math.inf or raw != int(raw):
            raise PayloadError("protection: not a bit mask")
        mask = int(raw)
        return _unique(event for bit, event in field.bits.items() if mask >> bit & 1)
    if isinstance(raw, str):
        theirs = [raw.strip()] if raw.strip() else []
    elif isinstance(raw, dict):
        theirs = [str(key) for key, value in raw.items() if flag(PROTECTION, value)]
    elif isinstance(raw, list) and all(isinstance(item, str) for item in raw):
        theirs = list(raw)
    else:
        raise PayloadError("protection: neither text nor a list of texts")
    known = field.words if field.words is not None else _OUR_WORDS
    unmapped.extend(word[:40] for word in theirs if word not in known)
    return _unique(known[word] for word in theirs if word in known)


def _unique(found: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(set(found)))


def time_of(raw: Any, field: FieldMap) -> float | None:
    """A time of measurement, Unix s; None where a message tells none."""
    if raw is None:
        return None
    if isinstance(raw, str):
        try:
            moment = datetime.fromisoformat(raw)
        except ValueError:
            raise PayloadError("time: not RFC 3339") from None
        if moment.tzinfo is None:
            raise PayloadError("time: without a time zone")
        return moment.timestamp()
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise PayloadError("time: neither RFC 3339 nor Unix seconds")
    try:
        return float(raw * field.scale + field.offset)
    except OverflowError:
        raise PayloadError("time: not a time") from None
