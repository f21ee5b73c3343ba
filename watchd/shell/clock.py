"""The clock of the shell: the system's, or one that runs faster for demonstrations and tests."""

from __future__ import annotations

import time
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from watchd.errors import WatchdError

LATEST_S = 221_845_392_000.0  # the year 9000: what can be written as a date, and some room


# A correction below this is taken over as it comes; a larger one is a clock that was set.
STEP_S = 2.0


class SystemTime:
    """System time that does not jump by itself: it runs with the monotonic clock."""

    def __init__(
        self,
        shown: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self._shown, self._steady = shown, steady
        self._offset = shown() - steady()

    def now(self) -> float:
        """Unix seconds."""
        return self.at(self._steady())

    def at(self, steady_s: float) -> float:
        """Unix seconds at a moment of the monotonic clock."""
        return steady_s + self._offset

    def take_over(self) -> float:
        """Go by what the system's clock shows now; by how much it was set, 0 if it was not."""
        offset = self._shown() - self._steady()
        step_s = offset - self._offset
        self._offset = offset
        return step_s if abs(step_s) >= STEP_S else 0.0


@dataclass(frozen=True, slots=True)
class Clock:
    """Shows `shows_s` at system time `zero_s` and runs `speed` times as fast (Unix seconds)."""

    zero_s: float = 0.0
    shows_s: float = 0.0
    speed: float = 1.0

    def at(self, system_s: float) -> float:
        """What this clock shows at a system time."""
        return self.shows_s + (system_s - self.zero_s) * self.speed

    def system_at(self, shows_s: float) -> float:
        """The system time at which this clock shows that."""
        return self.zero_s + (shows_s - self.shows_s) / self.speed

    def system_seconds(self, seconds: float) -> float:
        """How long `seconds` of this clock last."""
        return seconds / self.speed


def add_clock_options(parser: ArgumentParser) -> None:
    """The options that set a clock."""
    group = parser.add_argument_group(
        "time, for demonstrations and tests",
        "at system time ZERO the clock shows START, and it runs SPEED times as fast",
    )
    group.add_argument(
        "--clock-speed",
        type=_speed,
        metavar="SPEED",
        default=1.0,
        help="so many times as fast (default: 1)",
    )
    group.add_argument(
        "--clock-start",
        type=_moment,
        metavar="START",
        help="RFC 3339, such as 2026-06-21T08:00:00Z (default: ZERO)",
    )
    group.add_argument(
        "--clock-zero",
        type=_seconds,
        metavar="ZERO",
        help="Unix seconds (default: now, or the first line of a recording)",
    )


def clock_from(options: Namespace, zero_s: float) -> Clock:
    """The clock that the options ask for; `zero_s`, now, is ZERO where they do not say."""
    zero = options.clock_zero if options.clock_zero is not None else zero_s
    start = options.clock_start if options.clock_start is not None else zero
    clock = Clock(zero, start, options.clock_speed)
    if not 0 <= clock.at(zero_s) < LATEST_S:
        raise WatchdError("the options of the clock put it before 1970 or after 9000")
    return clock


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.01 <= speed <= 100_000:
        raise ArgumentTypeError(f"'{text}' is not a speed between 0.01 and 100000")
    return speed


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds < LATEST_S:
        raise ArgumentTypeError(f"'{text}' is not a time in Unix seconds")
    return seconds


def _moment(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"'{text}' is not a time such as 2026-06-21T08:00:00Z") from None
    if moment.tzinfo is None:
        raise ArgumentTypeError(f"'{text}' has no time zone; end it with Z for UTC")
    return moment.timestamp()
