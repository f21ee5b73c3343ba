"""Sun on the panels: where it stands, and what clouds leave of it."""

from dataclasses import dataclass
from math import cos, pi, radians, sin
from random import Random

_DAY_S = 86_400.0
_CLOUD_S = 240.0


@dataclass(frozen=True, slots=True)
class Panels:
    """Panels that lie flat, at a place."""

    peak_w: float
    latitude_deg: float
    longitude_deg: float

    def clear_w(self, at: float) -> float:
        """Power under a clear sky at a time (Unix seconds).

        Cooper's declination (Solar Energy 12 (1969) 333-346; from memory) and the hour angle,
        without the equation of time. The power 1.2 stands for the longer way through the air when
        the sun is low; that figure is ours.
        """
        day = at / _DAY_S % 365.2425  # 1 January 1970 is day 0
        declination = radians(23.45) * sin(2.0 * pi * (285.0 + day) / 365.0)
        hour_angle = 2.0 * pi * (at % _DAY_S / _DAY_S - 0.5) + radians(self.longitude_deg)
        latitude = radians(self.latitude_deg)
        height = sin(latitude) * sin(declination)
        height += cos(latitude) * cos(declination) * cos(hour_angle)
        return self.peak_w * float(max(height, 0.0) ** 1.2)


class Clouds:
    """Small clouds that pass: a share of the sun that wanders between 0.88 and 1."""

    __slots__ = ("_draw", "_from", "_since", "_to")

    def __init__(self, draw: Random, at: float) -> None:
        self._draw = draw
        self._since = at
        self._from = 1.0
        self._to = draw.uniform(0.88, 1.0)

    def share(self, at: float) -> float:
        """What they leave; time must not run backwards."""
        while at >= self._since + _CLOUD_S:
            self._since += _CLOUD_S
            self._from, self._to = self._to, self._draw.uniform(0.88, 1.0)
        return self._from + (self._to - self._from) * (at - self._since) / _CLOUD_S
