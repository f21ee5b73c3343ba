"""A pack: cells in series, a BMS, a cable to the busbar, and what the sensors show of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from demo.skerry.bms import Bms
from demo.skerry.cell import Cell
from demo.skerry.network import Branch

# What the sensors of such BMSs resolve. Common practice, no source.
_CELL_NOISE_V = 0.0006
_CURRENT_NOISE_A = 0.12
_TEMPERATURE_NOISE_K = 0.05


@dataclass(frozen=True, slots=True)
class Reading:
    """What a BMS reports at one moment, rounded as it rounds; charge current is positive."""

    at: float
    voltage_v: float
    current_a: float
    soc_pct: int
    cells_v: tuple[float, ...]
    temperatures_degc: tuple[float, ...]
    charge_allowed: bool
    discharge_allowed: bool
    balancing: bool
    protection: tuple[str, ...]


class Pack:
    """The state of one pack."""

    __slots__ = (
        "_noise",
        "bms",
        "cable_mohm",
        "cells",
        "cells_v",
        "current_a",
        "name",
        "switch_mohm",
    )

    def __init__(
        self,
        name: str,
        cells: Sequence[Cell],
        bms: Bms,
        *,
        noise: Random,
        cable_mohm: float,
        switch_mohm: float = 0.6,
    ) -> None:
        self.name = name
        self.cells = tuple(cells)
        self.bms = bms
        self.cable_mohm = cable_mohm
        self.switch_mohm = switch_mohm
        self._noise = noise
        self.current_a = 0.0
        self.cells_v = tuple(cell.voltage_v(0.0) for cell in self.cells)

    @property
    def branch(self) -> Branch:
        """The pack as the busbar sees it."""
        ohmic_ohm = sum(cell.ohmic_ohm for cell in self.cells)
        return Branch(
            source_v=sum(cell.source_v for cell in self.cells),
            resistance_ohm=ohmic_ohm + (self.cable_mohm + self.switch_mohm) / 1000.0,
            charge_allowed=not self.bms.overvoltage,
            discharge_allowed=not self.bms.undervoltage,
        )

    @property
    def charge(self) -> float:
        """True state of charge: what the pack holds of what it can hold."""
        held_ah = sum(cell.charge_ah for cell in self.cells)
        return held_ah / sum(cell.kind.capacity_ah for cell in self.cells)

    def step(self, current_a: float, lasting_s: float, ambient_degc: float) -> None:
        """Let a current flow through all cells, and the BMS watch it."""
        for cell in self.cells:
            cell.step(current_a, lasting_s, ambient_degc)
        self.current_a = current_a
        self.cells_v = tuple(cell.voltage_v(current_a) for cell in self.cells)
        for place, moved_ah in self.bms.step(self.cells_v, current_a, lasting_s).items():
            self.cells[place].shift_ah(moved_ah)

    def read(self, at: float) -> Reading:
        """What the BMS shows."""
        noise = self._noise.gauss
        cells_v = tuple(round(volts + noise(0.0, _CELL_NOISE_V), 3) for volts in self.cells_v)
        inside_v = sum(self.cells_v) + self.current_a * self.switch_mohm / 1000.0
        middle = len(self.cells) // 2
        return Reading(
            at=at,
            voltage_v=round(inside_v + noise(0.0, 3 * _CELL_NOISE_V), 2),
            current_a=round(self.bms.current_a + noise(0.0, _CURRENT_NOISE_A), 1),
            soc_pct=int(self.bms.soc_pct),
            cells_v=cells_v,
            temperatures_degc=tuple(
                round(self.cells[place].temperature_degc + noise(0.0, _TEMPERATURE_NOISE_K), 1)
                for place in (0, middle)
            ),
            charge_allowed=not self.bms.overvoltage,
            discharge_allowed=not self.bms.undervoltage,
            balancing=self.bms.balancing,
            protection=self.bms.active,
        )
