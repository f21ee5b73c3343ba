"""A payload of watchd's, or the bridge's own word, as something that a phone is told."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from hashlib import blake2b
from typing import Any

PRIORITIES = ("critical", "high", "medium", "low")  # the most urgent first
LONGEST_TITLE = 200
LONGEST_BODY = 4000
LONGEST_ALARM = 200
LATEST_S = 221_845_392_000.0  # the year 9000


class Kind(StrEnum):
    """Where it comes from."""

    ANNUNCIATION = "annunciation"
    DIGEST = "digest"
    OWN = "own"  # of the bridge: watchd is not heard, something was dropped
    ANSWER = "answer"  # to a person who asked just now


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to tell. `at`: Unix seconds of when it happened; `identity` is the same for the
    same thing said twice.
    """

    identity: str
    kind: Kind
    priority: str
    title: str
    body: str
    at: float
    alarm: str | None = None


@dataclass(frozen=True, slots=True)
class Waiting:
    """A notice that a URL has not got yet. `number` is what a person answers to; `came_at` is
    when the bridge got it (Unix seconds), `tries` how often it was handed on in vain.
    """

    notice: Notice
    number: int
    came_at: float
    tries: int = 0
    key: int = field(default=0, compare=False)  # the queue's own


def annunciation(payload: bytes, now: float) -> Notice | None:
    """None where it is none. Its bytes are its identity: watchd sends the same ones again."""
    data = _object(payload)
    if data is None or not (data.get("title") or data.get("text") or data.get("message")):
        return None
    priority = data.get("priority")
    alarm = data.get("alarm")
    return Notice(
        identity=f"annunciation:{_digest(payload)}",
        kind=Kind.ANNUNCIATION,
        # One that says nothing known of its urgency must not be kept from anybody.
        priority=priority if priority in PRIORITIES else "high",
        title=_text(data.get("title"))[:LONGEST_TITLE] or "watchd",
        body=message_of(data)[:LONGEST_BODY],
        at=_moment(data.get("at"), now),
        alarm=alarm[:LONGEST_ALARM] if isinstance(alarm, str) and alarm else None,
    )


def digest(payload: bytes, now: float, which: str) -> Notice | None:
    """A digest of a day or a week (`which`); None where it is none."""
    data = _object(payload)
    if data is None or not (data.get("title") or data.get("message")):
        return None
    return Notice(
        identity=f"{which}:{_digest(payload)}",
        kind=Kind.DIGEST,
        priority="low",
        title=_text(data.get("title"))[:LONGEST_TITLE] or f"watchd: {which} digest",
        body=message_of(data)[:LONGEST_BODY],
        at=_moment(data.get("at"), now),
    )


def message_of(data: dict[str, Any]) -> str:
    """What stands below the title: `message`, or `text` and what to do."""
    message = _text(data.get("message"))
    if message:
        return message
    lines = (_text(data.get(key)) for key in ("text", "response"))
    return "\n".join(line for line in lines if line)


def _object(payload: bytes) -> dict[str, Any] | None:
    try:
        data = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def _text(value: object) -> str:
    """Text without control characters, which some services refuse; lines stay lines."""
    if not isinstance(value, str):
        return ""
    kept = (c if c.isprintable() or c == "\n" else " " for c in value)
    return "".join(kept).strip()


def _moment(value: object, now: float) -> float:
    """Unix seconds of an RFC 3339 time; `now` where it is none."""
    try:
        moment = datetime.fromisoformat(value) if isinstance(value, str) else None
        at = moment.timestamp() if moment is not None and moment.tzinfo is not None else now
    except (ValueError, OverflowError, OSError):
        return now
    return at if 0 <= at < LATEST_S else now


def _digest(payload: bytes) -> str:
    return blake2b(payload, digest_size=16).hexdigest()
