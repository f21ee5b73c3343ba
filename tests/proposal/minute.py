"""A minute of packs in parallel as it is: invented, with resistance, and loads that come and go."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

START = 1_790_000_000.0
CELL_OHM = 0.00025
EVERY_S = 2.0
LEADING = 3  # the cell that is ahead, counted from 1


@dataclass(frozen=True, slots=True)
class Truth:
    """One pack at one moment. Charge positive; V, A, %, degC."""

    name: str
    at: float
    cell_v: tuple[float, ...]
    current_a: float
    soc_pct: float
    degc: tuple[float, float]

    @property
    def voltage_v(self) -> float:
        """Of the pack."""
        return sum(self.cell_v)

    @property
    def power_w(self) -> float:
        """In charge."""
        return self.voltage_v * self.current_a

    def mv(self) -> list[int]:
        """Of each cell."""
        return [round(1000 * v) for v in self.cell_v]


def minute(
    names: Sequence[str], cells: int = 16, *, seconds: float = 60.0, seed: int = 1
) -> Iterator[Truth]:
    """Each pack every two seconds: a cloud passes, and a pump runs for a while."""
    chance = random.Random(seed)
    own = {
        name: [3.335 + 0.002 * n + chance.uniform(-0.003, 0.003) for _ in range(cells)]
        for n, name in enumerate(names)
    }
    for volts in own.values():
        volts[LEADING - 1] += 0.009
    steps = int(seconds / EVERY_S)
    for step in range(steps + 1):
        sun_a = 30.0 if step % 15 < 9 else 8.0
        load_a = 25.0 if 10 <= step % 30 < 20 else 4.0
        for number, name in enumerate(names):
            amps = (sun_a - load_a) * (1.0 - 0.15 * number) + chance.uniform(-0.3, 0.3)
            yield Truth(
                name,
                START + EVERY_S * step + 0.1 * number,
                tuple(v + CELL_OHM * amps + chance.uniform(-0.0003, 0.0003) for v in own[name]),
                amps,
                61.4 - 3.0 * number + 0.0004 * step,
                (17.3 + number, 18.1 + number),
            )
