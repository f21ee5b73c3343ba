"""Whether a pack's messages come in the order in which they were measured, and in time."""

from __future__ import annotations

from collections.abc import Mapping

from watchd.config import Telemetry
from watchd.telemetry.message import Message

# A clock before this was never set (watchd is younger): such a time of measurement is an error.
YOUNGEST_CLOCK = 1_577_836_800.0  # 2020-01-01


class Order:
    """Keeps the time of measurement of the newest message of each stream."""

    def __init__(
        self, config: Telemetry, limits_s: Mapping[str, float], stream_at: Mapping[str, float]
    ) -> None:
        self._config, self._limits_s = config, limits_s
        self._shortest_s = min([*limits_s.values(), config.stale_after])
        self._stream_at = dict(stream_at)

    def snapshot(self) -> dict[str, float]:
        """Time of measurement by stream."""
        return dict(self._stream_at)

    def take(self, stream: str, measured_at: float) -> None:
        """A message was not refused."""
        self._stream_at[stream] = measured_at

    def refusal(self, message: Message, measured_at: float, at: float) -> str | None:
        """Why a message that was measured then must not count `at`; None where it may."""
        if measured_at < YOUNGEST_CLOCK:
            return "time before 2020"
        latest = at + self._config.clock_tolerance
        if at < YOUNGEST_CLOCK:
            # Our own clock is not set yet, so it can judge nothing; the order can be.
            latest = float("inf")
        if measured_at > latest:
            return "time in the future"
        last = self._stream_at.get(message.stream, 0.0)
        if last > latest:
            # The clock has been set back since. Else all would be out of order until it is there.
            last = 0.0
        if measured_at == last:
            return "duplicate"
        if measured_at < last:
            return "out of order"
        if measured_at < at - self._shortest_s:
            limits = [self._limits_s[n] for n in message.names if n in self._limits_s]
            if measured_at < at - min(limits, default=self._config.stale_after):
                return "historical"
        return None
