"""Sun, air and loads of the season, from dawn to dusk and from July to October."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import cos, pi
from random import Random

from demo.season.scenario import START, Spell
from demo.skerry.station import PANELS
from demo.skerry.sun import Clouds

DAY_S = 86_400.0
# Air at the coast near 58 degrees north: 17 degC at the end of July, 7 at the end of October
# (from memory), 3 K up and down through a clear day.
_WARMEST_DEGC, _FALL_A_DAY_K, _SWING_K = 17.5, 0.115, 3.0
_DULL = 0.22
"""Part of the days that are dull; ours."""


@dataclass(frozen=True, slots=True)
class Load:
    """Something that runs for a while on a day; hours of the day."""

    from_h: float
    lasting_h: float
    power_w: float


class Weather:
    """The same seed gives the same season; time must not run backwards."""

    def __init__(self, seed: int, spells: Sequence[Spell]) -> None:
        self._seed, self._spells = seed, tuple(spells)
        self._clouds = Clouds(Random(f"{seed} season clouds"), START)
        self._of_day = lru_cache(maxsize=4)(self._draw)

    def _draw(self, day: int) -> tuple[float, float, float, tuple[Load, ...]]:
        draw = Random(f"{self._seed} season day {day}")
        dull = draw.random() < _DULL
        share = draw.uniform(0.3, 0.6) if dull else draw.uniform(0.85, 1.0)
        degc = _WARMEST_DEGC - _FALL_A_DAY_K * day + draw.gauss(0.0, 1.0)
        frugal = 1.0
        for spell in self._spells:
            if spell.from_d <= day < spell.until_d:
                share = spell.sun if spell.sun is not None else share
                degc = spell.degc if spell.degc is not None else degc
                frugal = spell.loads
        loads = [
            Load(7.0 + draw.uniform(0, 0.5), 0.4, 1600.0 * frugal),
            Load(12.0 + draw.uniform(0, 0.5), 0.6, 2200.0 * frugal),
            Load(18.0 + draw.uniform(0, 1.0), 0.7, 2400.0 * frugal),
            Load(18.5, 4.0, 260.0 * frugal),
        ]
        if day % 2 == 0:
            loads.append(Load(9.0 + draw.uniform(0, 0.5), 1.2, 3000.0 * frugal))  # water maker
        loads.extend(
            Load(draw.uniform(6.0, 22.0), 0.08, draw.uniform(800.0, 2000.0) * frugal)
            for _ in range(6)
        )
        return share, degc, frugal, tuple(loads)

    def sun_w(self, at: float) -> float:
        """Power of the panels."""
        clear_w = PANELS.clear_w(at)
        if clear_w <= 0.0:
            return 0.0
        share = self._of_day(int((at - START) // DAY_S))[0]
        return clear_w * share * self._clouds.share(at)

    def air_degc(self, at: float) -> float:
        """Air outside; coldest at five in the morning."""
        day, hour = divmod((at - START) / DAY_S, 1.0)
        mean, after = self._of_day(int(day))[1], self._of_day(int(day) + 1)[1]
        blended = mean + (after - mean) * hour
        return blended - _SWING_K * cos(2.0 * pi * (hour - 5.0 / 24.0))

    def load_w(self, at: float) -> float:
        """What the station draws."""
        day, part = divmod((at - START) / DAY_S, 1.0)
        hour = part * 24.0
        _, _, frugal, loads = self._of_day(int(day))
        fridge_w = 140.0 if (hour / 0.7) % 1.0 < 0.4 else 0.0
        running = sum(
            load.power_w for load in loads if load.from_h <= hour < load.from_h + load.lasting_h
        )
        return 230.0 * frugal + fridge_w + running
