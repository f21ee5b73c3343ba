"""The station's chargers as one: constant current, constant voltage, what the sun gives at most."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Charger:
    """Ratings and settings."""

    max_current_a: float
    charge_voltage_v: float
    efficiency: float = 0.96

    def available_a(self, sun_w: float, bus_v: float) -> float:
        """Current that it could put on the busbar now."""
        return min(self.max_current_a, sun_w * self.efficiency / bus_v)


class Follower:
    """What makes the charger obey a limit that comes from outside, if anything does.

    A limit takes effect some seconds after it came, as with a gateway that asks in turns. No limit
    means the charger's own maximum.
    """

    __slots__ = ("_heard", "_limit_a", "delay_s", "following")

    def __init__(self, delay_s: float = 5.0) -> None:
        self.delay_s = delay_s
        self.following = False
        self._limit_a: float | None = None
        self._heard: list[tuple[float, float | None]] = []

    def hear(self, limit_a: float | None, at: float) -> None:
        """Take in a limit for the current into the bank; None withdraws it."""
        self._heard.append((at + self.delay_s, limit_a))

    def limit_a(self, at: float) -> float | None:
        """The limit in force."""
        while self._heard and self._heard[0][0] <= at:
            self._limit_a = self._heard.pop(0)[1]
        return self._limit_a if self.following else None
