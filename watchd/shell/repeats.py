"""Keeps the log from saying the same thing over and over: the one place that does."""

from __future__ import annotations

import time
from collections.abc import Callable, MutableMapping
from dataclasses import dataclass
from typing import Any

import structlog

HOUR_S = 3600.0
MOST_KINDS = 500
# A warning says what is wrong, and is wrong until something is done: once an hour is a reminder.
# An information says that something happened; ten in an hour show how it goes on.
MOST_AN_HOUR = {"warning": 1, "error": 1, "exception": 1, "critical": 1, "info": 10}
# They hold measured numbers, and do not make another line of the same.
VARYING = ("text", "because", "exc_info")


@dataclass(slots=True)
class _Kind:
    began_at: float
    said: int = 0
    skipped: int = 0


class Repeats:
    """A processor of structlog. Lines are the same that differ in numbers alone.

    Of the same line, the first few in an hour are said (`MOST_AN_HOUR`, or the line's own field
    `most_an_hour`, which is not shown), and the next one after the hour with `skipped`: how many
    were kept back. `now` gives seconds that only go up.
    """

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._kinds: dict[tuple[Any, ...], _Kind] = {}

    def __call__(
        self, _logger: Any, method: str, line: MutableMapping[str, Any]
    ) -> MutableMapping[str, Any]:
        """The line, or structlog.DropEvent."""
        most = line.pop("most_an_hour", MOST_AN_HOUR.get(method))
        if most is None:
            return line
        now = self._now()
        kind = self._kind(method, line, now)
        if now - kind.began_at >= HOUR_S:
            kind.began_at, kind.said = now, 0
        if kind.said >= most:
            # A line may itself stand for some that were kept back before it came here.
            kind.skipped += 1 + line.get("skipped", 0)
            raise structlog.DropEvent
        kind.said += 1
        if kind.skipped:
            line["skipped"] = kind.skipped + line.get("skipped", 0)
            kind.skipped = 0
        return line

    def _kind(self, method: str, line: MutableMapping[str, Any], now: float) -> _Kind:
        key = (
            method,
            *(
                (name, value if isinstance(value, str) else repr(value))
                for name, value in sorted(line.items())
                if name not in VARYING and (isinstance(value, bool | str | list | tuple))
            ),
        )
        kind = self._kinds.pop(key, None) or _Kind(now)
        if len(self._kinds) >= MOST_KINDS:
            self._kinds.pop(next(iter(self._kinds)))
        self._kinds[key] = kind
        return kind
