"""What a subject's alarms say while nothing comes from it: one of them speaks for all."""

from __future__ import annotations

from collections.abc import Iterable

from watchd.alarms.alarm import Alarm
from watchd.alarms.state import WITHHELD, Told
from watchd.rules.rests import asks_for_silence, rests_on_telemetry


class Silence:
    """Covers the alarms of one pack or bank whose meaning is told elsewhere."""

    def __init__(self, alarms: Iterable[Alarm]) -> None:
        every = list(alarms)
        self._resting = [a for a in every if rests_on_telemetry(a.rule)]
        self._asking = [a for a in every if asks_for_silence(a.rule)]
        self._is_blind: bool | None = None  # not known yet: an alarm may be covered from before
        self._is_told: bool | None = None

    def covers_what_rests(self, is_blind: bool) -> None:
        """Nothing fresh comes, or something does again."""
        if is_blind is not self._is_blind:
            self._is_blind = is_blind
            for alarm in self._resting:
                alarm.cover(Told.STALE if is_blind else None)

    def covers_what_asks(self, is_told: bool) -> bool:
        """The silence is told for several at once, or no longer; whether that is new."""
        if is_told is self._is_told:
            return False
        was_told, self._is_told = self._is_told, is_told
        for alarm in self._asking:
            alarm.cover(Told.FOLLOWS if is_told else None)
        return was_told is not None and bool(self._asking)

    def is_told(self) -> bool:
        """Whether an alarm that people hear says that nothing comes, or is about to."""
        return any(
            (a.is_raised or a.conditions.due_at(raised=False) is not None)
            and a.state not in WITHHELD
            and not a.rule.is_silent
            for a in self._asking
        )
