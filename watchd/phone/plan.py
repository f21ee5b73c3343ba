"""What of all that waits for a URL is handed on now. Called again after each attempt.

Critical goes at once, each alone, whatever the hour and however many there were. Of the rest,
what waited (for quiet hours to end, for room in the hour, for a network) is told in one message;
what is fresh goes alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from watchd.phone.hours import Hours, around
from watchd.phone.notice import PRIORITIES, Kind, Waiting

HOUR_S = 3600.0
# Two that come within it are told one by one; a longer wait was for something.
FRESH_S = 120.0
# One that is refused again and again must not keep the others waiting.
TRIES_IN_FRONT = 4


@dataclass(frozen=True, slots=True)
class Setting:
    """What the keeper wants of it; `gather_at`: minutes since midnight."""

    quiet: Hours
    wait_in_quiet: frozenset[str]
    gathered: frozenset[str]
    gather_at: int
    most_an_hour: int


@dataclass(frozen=True, slots=True)
class Send:
    """Hand these on as one message: one alone, or several gathered, in the order of time."""

    these: tuple[Waiting, ...]

    @property
    def priority(self) -> str:
        """The most urgent among them."""
        return min((w.notice.priority for w in self.these), key=PRIORITIES.index)


@dataclass(frozen=True, slots=True)
class Hold:
    """Nothing goes before this moment (Unix seconds); None: nothing waits."""

    until: float | None


def decide(
    waiting: Sequence[Waiting], sent_at: Sequence[float], now: float, setting: Setting
) -> Send | Hold:
    """What is done now. `sent_at`: when this URL got messages that were not critical."""
    at_once = [w for w in waiting if _passes(w)]
    if at_once:
        return Send((min(at_once, key=_turn),))
    due = _due(waiting, now, setting)
    ready = [w for w in waiting if due[w.key] <= now]
    if not ready:
        return Hold(min(due.values(), default=None))
    room_at = _room_at(sent_at, now, setting.most_an_hour)
    if room_at > now:
        return Hold(room_at)
    # A digest is long, and already gathered: it stays by itself.
    single = [w for w in ready if w.notice.kind is Kind.DIGEST]
    others = [w for w in ready if w.notice.kind is not Kind.DIGEST]
    if others and _gathers(others, now):
        return Send(tuple(sorted(others, key=lambda w: (w.notice.at, w.number))))
    return Send((min(others or single, key=_turn),))


def _passes(waiting: Waiting) -> bool:
    """Whether it knows no hours and no limit: critical, and the answer to who asked just now."""
    return waiting.notice.priority == "critical" or waiting.notice.kind is Kind.ANSWER


def _gathers(ready: Sequence[Waiting], now: float) -> bool:
    waited = any(now - w.came_at > FRESH_S for w in ready)
    # Where the message of all is refused, they are tried one by one: one of them may be the cause.
    refused = min(w.tries for w in ready) // TRIES_IN_FRONT % 2 == 1
    return len(ready) > 1 and waited and not refused


def _turn(waiting: Waiting) -> tuple[int, int, float, int]:
    rank = PRIORITIES.index(waiting.notice.priority)
    return waiting.tries // TRIES_IN_FRONT, rank, waiting.came_at, waiting.number


def _due(waiting: Sequence[Waiting], now: float, setting: Setting) -> dict[int, float]:
    """When each may go at the soonest, by its key. There are but two such moments, whatever waits:
    now, and the next time of the daily message.
    """
    daily = {w.key for w in waiting if _is_gathered(w, setting)}
    last, following = around(setting.gather_at, now, setting.quiet.zone) if daily else (now, now)
    after_quiet: dict[float, float] = {}
    found = {}
    for w in waiting:
        due = following if w.key in daily and w.came_at >= last else now
        if w.notice.priority in setting.wait_in_quiet:
            if due not in after_quiet:
                after_quiet[due] = setting.quiet.ends_after(due)
            due = after_quiet[due]
        found[w.key] = due
    return found


def _is_gathered(waiting: Waiting, setting: Setting) -> bool:
    notice = waiting.notice
    return notice.kind is Kind.ANNUNCIATION and notice.priority in setting.gathered


def _room_at(sent_at: Sequence[float], now: float, most: int) -> float:
    """When another one may go, of so many in an hour. Times ahead are of a clock that was set."""
    recent = sorted(at for at in sent_at if now - HOUR_S < at <= now)
    return recent[-most] + HOUR_S if len(recent) >= most else now
