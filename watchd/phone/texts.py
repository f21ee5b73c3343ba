"""The words of a message to the phone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

from watchd.durations import show_duration
from watchd.phone.hours import wall_time
from watchd.phone.notice import Kind, Waiting
from watchd.phone.plan import FRESH_S, Send

MOST_LISTED = 12
MOST_RETURNED = 4
LONGEST_LINE = 160


@dataclass(frozen=True, slots=True)
class Standing:
    """The state of each alarm that is not normal, by name; None: there is no link that tells."""

    states: Mapping[str, str] | None

    def of(self, alarm: str | None) -> bool | None:
        """Whether this alarm still stands; None: it is not known, or it is no alarm."""
        if alarm is None or self.states is None:
            return None
        state = self.states.get(alarm, "normal")
        return state not in ("normal", "returned_unacknowledged")


@dataclass(frozen=True, slots=True)
class Message:
    """What is handed on."""

    title: str
    body: str


def message_of(send: Send, standing: Standing, now: float, zone: tzinfo) -> Message:
    """The words of it; `now` in Unix seconds."""
    if len(send.these) == 1:
        return _alone(send.these[0], standing, now, zone)
    return _gathered(send.these, standing, now, zone)


def _alone(waiting: Waiting, standing: Standing, now: float, zone: tzinfo) -> Message:
    notice = waiting.notice
    lines = [notice.body] if notice.body else []
    if now - notice.at > FRESH_S and notice.kind is not Kind.ANSWER:
        said = f"{wall_time(notice.at, now, zone)}, {show_duration(round(now - notice.at))} ago"
        if notice.kind is Kind.ANNUNCIATION:
            stands = {True: ". It still stands.", False: ". It no longer stands.", None: "."}
            said += stands[standing.of(notice.alarm)]
        lines.append(said)
    if notice.alarm is not None:
        lines.append(f"No {waiting.number}")
    return Message(notice.title, "\n".join(lines))


def _gathered(these: tuple[Waiting, ...], standing: Standing, now: float, zone: tzinfo) -> Message:
    newest: dict[str, list[Waiting]] = {}
    for waiting in these:
        newest.setdefault(waiting.notice.alarm or waiting.notice.identity, []).append(waiting)
    stands = [some for some in newest.values() if standing.of(some[-1].notice.alarm) is not False]
    gone = [some for some in newest.values() if standing.of(some[-1].notice.alarm) is False]
    lines = [_line(some, standing, now, zone) for some in stands[-MOST_LISTED:]]
    if len(stands) > MOST_LISTED:
        lines.insert(0, f"{len(stands) - MOST_LISTED} older ones, and:")
    if gone:
        titles = "; ".join(some[-1].notice.title for some in gone[-MOST_RETURNED:])
        more = "; ..." if len(gone) > MOST_RETURNED else ""
        lines.append(f"No longer stand: {len(gone)} ({titles}{more})")
    return Message(_title(len(stands), len(gone)), "\n".join(lines))


def _title(stands: int, gone: int) -> str:
    if not stands:
        return f"watchd: {gone} told meanwhile, none stands any more"
    return f"watchd: {stands} to look at" + (f", {gone} no longer stand" if gone else "")


def _line(some: list[Waiting], standing: Standing, now: float, zone: tzinfo) -> str:
    """One thing that was told, perhaps several times: the newest of it counts."""
    waiting = some[-1]
    notice = waiting.notice
    number = f"No {waiting.number} " if notice.alarm is not None else ""
    times = f" ({len(some)} times)" if len(some) > 1 else ""
    known = {True: "still stands", None: ""}.get(standing.of(notice.alarm), "")
    if notice.alarm is not None and standing.states is None:
        known = "not known whether it stands"
    first = next(iter(notice.body.split("\n")), "")
    said = f"{number}{wall_time(notice.at, now, zone)} {notice.title}{times}"
    return "; ".join(part for part in (said, known, first[:LONGEST_LINE]) if part)
