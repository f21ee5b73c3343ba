"""Ohmic resistance of each cell's path (cell and joints), and the worst path's excess.

A cell's deviation from the pack's median cell is d_k = a_k + r_k I: what follows the current is
excess resistance, what does not is a difference in charge (Zheng, Han, Lu, Li, Ouyang, J. Power
Sources 223 (2013) 136-146, where field data showed a fault of contact resistance). r_k and a_k come
from a filter over blocks of nearly constant current (`resistance`), which lets a_k drift as charge
flows, so that its drift does not look like resistance; r_k is forgotten over days.

- Charge positive: a resistance raises its cell while charging and lowers it while discharging.
- Taken on the flat part only: all cells, less what resistance does, well between `flat_from_v` and
  `upper_knee_v`, and have been for `SETTLE_S`. Elsewhere a difference in charge follows the current
  through the slope of the curve.
- Withheld until the standard error is below `ENOUGH_MOHM`: the current must have varied.
- The whole pack's temperature cancels in the median. A cell that is 5 degC colder than the others
  has about 25 % more resistance (35 kJ/mol, the Chen et al. 2020 set) and shows as that much
  excess: under 0.1 mOhm on cells of 200 Ah, below the limit of the rule.
- A joint lies between two sense wires, so it raises one path. Which one, that of the cell before or
  behind it, depends on where the wire lands: both joints of the named cell are suspects. Where a
  BMS senses through the current's own path, the neighbour may show the opposite sign; a path
  below the median is never called a joint, so of such a pair the raised one is named.
- `resistance_mohm` is that of the whole pack over tens of seconds to a minute: that of the median
  cell, from the same filter with a faster drift, times the number of cells, plus all excess.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from itertools import compress
from statistics import median
from typing import Any

from watchd.estimators.cells.blocks import Block, Blocks
from watchd.estimators.cells.resistance import Doubt, Drift, ResistanceFilter
from watchd.estimators.charging.count import Count
from watchd.estimators.estimator import Setting
from watchd.figures import About, Figure, Figures, number
from watchd.telemetry.names import CELL_NO
from watchd.telemetry.sample import Sample

ENOUGH_MOHM = 0.05  # standard error of a path from which on it is told
# Nearer to the ends a difference in charge, or in size, begins to follow the current.
ABOVE_LOW_END_V, BEFORE_KNEE_V = 0.04, 0.06
# A cell that comes back from an end of the curve falls for minutes, whatever the current does: the
# surface of its particles settles. Ours, twice the time constant of usual cells.
SETTLE_S = 600.0
BLOCK_S = 90.0
STEP_C_RATE = 0.02  # a step of current, over nameplate capacity
HOURS = 24
# Readings of a cell: 1 mV steps and about as much noise; what a mean does not take away.
_READING_MV2, _STEADY_MV2 = 1.0, 0.04
_AMONG_CELLS = Drift(
    open_mv2_per_h=0.2,
    open_mv2_per_ah=0.02,
    slope_mv2_per_ah3=0.0001,
    resistance_mohm2_per_h=0.05**2 / 24,
)
_OF_THE_PACK = Drift(
    open_mv2_per_h=30.0,
    open_mv2_per_ah=0.5,
    slope_mv2_per_ah3=0.001,
    resistance_mohm2_per_h=0.05**2 / 24,
)

FIGURES: tuple[Figure, ...] = (
    number("joint_excess_mohm", "mohm", "resistance of the worst cell's path over the median's"),
    number("joint_excess_sigma_mohm", "mohm", "standard error of joint_excess_mohm"),
    number(
        "joint_cell_no", "", "number of the cell with that path, the first is 1", within=CELL_NO
    ),
    number("joint_heat_w", "w", "heat in that excess at the highest current of 24 h"),
    number("resistance_mohm", "mohm", "DC resistance of the pack over about a minute"),
    number("resistance_sigma_mohm", "mohm", "standard error of resistance_mohm"),
)
CELL_FIGURES: tuple[Figure, ...] = (
    number(
        "cell_excess_mohm", "mohm", "resistance of this cell's path over the median's", About.CELL
    ),
    number("cell_excess_sigma_mohm", "mohm", "standard error of cell_excess_mohm", About.CELL),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}


class Joints:
    """Learns once a block. A sample costs about a microsecond, a block about ten."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        cells, profile = setting.cells, setting.profile
        self._from_v = profile.flat_from_v + ABOVE_LOW_END_V
        self._to_v = profile.upper_knee_v - BEFORE_KNEE_V
        self._within_s, self._gap_s = setting.parts_within_s, setting.longest_gap_s
        self._blocks = Blocks(BLOCK_S, STEP_C_RATE * setting.nameplate_ah, known.get("blocks"))
        self._paths = ResistanceFilter(cells, _AMONG_CELLS, Doubt(), known.get("paths"))
        self._pack = ResistanceFilter(1, _OF_THE_PACK, Doubt(5000.0), known.get("pack"))
        # When, and the charge that had moved, at the last block that counted.
        self._last: tuple[float, float] | None = tuple(known["last"]) if known.get("last") else None
        self._hole_h: float | None = known.get("hole_h")
        self._settled_at: float = known.get("settled_at", 0.0)
        self._peaks = Peaks(known.get("peaks"))
        self._figures: Figures = dict(known.get("figures", _UNKNOWN))
        self._told: Figures | None = None  # where they stand

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "blocks": self._blocks.snapshot(),
            "paths": self._paths.snapshot(),
            "pack": self._pack.snapshot(),
            "last": list(self._last) if self._last else None,
            "hole_h": self._hole_h,
            "settled_at": self._settled_at,
            "peaks": self._peaks.snapshot(),
            "figures": dict(self._figures),
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        cells, amps = sample.cell_v, sample.current_a
        if cells is not None and amps is not None and "cell_v" in sample.renewed:
            times = sample.measured_at
            # Of one moment, that is.
            if -self._within_s <= times["cell_v"] - times["current_a"] <= self._within_s:
                block = self._blocks.take(sample.at, cells, amps)
                if block is not None:
                    self._learn(block, figures)
        if figures is not self._told:
            figures.update(self._figures)
            self._told = figures

    def of_cell(self, cell: int) -> Figures:
        """`CELL_FIGURES` of the 0-based `cell`, withheld as those of the pack are."""
        paths, sigma = self._paths.resistance_mohm, self._paths.sigma_mohm(cell)
        known = sigma <= ENOUGH_MOHM
        return {
            "cell_excess_mohm": paths[cell] - median(paths) if known else None,
            "cell_excess_sigma_mohm": sigma if known else None,
        }

    def _learn(self, block: Block, figures: Figures) -> None:
        is_news = self._peaks.take(block.at, abs(block.current_a))
        if not self._is_flat(block):
            self._settled_at = block.at + SETTLE_S
        elif block.at >= self._settled_at:
            self._drift_to(block.at, Count.of(figures))
            self._measure(block)
            is_news = True
        if is_news:
            self._figures, self._told = self._worst(), None

    def _is_flat(self, block: Block) -> bool:
        cells, amps = block.cell_v, block.current_a / 1000.0
        common_v = self._pack.resistance_mohm[0] * amps
        if self._from_v <= min(cells) - common_v and max(cells) - common_v <= self._to_v:
            return True
        rest = [
            v - common_v - r * amps for v, r in zip(cells, self._paths.resistance_mohm, strict=True)
        ]
        return self._from_v <= min(rest) and max(rest) <= self._to_v

    def _drift_to(self, at: float, count: Count) -> None:
        moved_ah, hole_h = count.net_ah, count.uncounted_h
        if self._last is not None:
            then, before_ah = self._last
            for each in (self._paths, self._pack):
                if hole_h != self._hole_h:
                    each.forget_open()
                each.pass_by(max(at - then, 0.0) / 3600.0, moved_ah - before_ah)
        self._last, self._hole_h = (at, moved_ah), hole_h

    def _measure(self, block: Block) -> None:
        middle = median(block.cell_v)
        variance = _READING_MV2 / block.samples + _STEADY_MV2
        deviations = [(v - middle) * 1000.0 for v in block.cell_v]
        self._paths.measure(block.current_a, deviations, variance)
        self._pack.measure(block.current_a, [middle * 1000.0], variance)

    def _worst(self) -> Figures:
        found = dict(_UNKNOWN)
        paths = self._paths.resistance_mohm
        worst = max(paths)
        sigma = self._paths.sigma_mohm(paths.index(worst))
        if sigma <= ENOUGH_MOHM:
            excess = worst - median(paths)
            highest = self._peaks.highest_a
            found["joint_excess_mohm"], found["joint_excess_sigma_mohm"] = excess, sigma
            found["joint_cell_no"] = paths.index(worst) + 1
            found["joint_heat_w"] = excess * highest * highest / 1000.0
        cell_sigma = self._pack.sigma_mohm(0)
        if cell_sigma <= ENOUGH_MOHM:
            count = len(paths)
            found["resistance_mohm"] = self._pack.resistance_mohm[0] * count + sum(paths)
            found["resistance_sigma_mohm"] = cell_sigma * count
        return found


class Peaks:
    """Highest mean current of a block in the last 24 hours, by the hour."""

    def __init__(self, saved: Sequence[Sequence[float]] | None = None) -> None:
        # Numbers of the hours since 1970, and the highest current in each.
        self._hours = array("d", [hour for hour, _ in saved or ()])
        self._amps = array("d", [amps for _, amps in saved or ()])
        self.highest_a = max(self._amps, default=0.0)

    def snapshot(self) -> list[list[float]]:
        """Plain data from which it goes on."""
        return [[hour, amps] for hour, amps in zip(self._hours, self._amps, strict=True)]

    def take(self, at: float, current_a: float) -> bool:
        """A current as of `at`; whether the highest, 0 if there is none, is another now."""
        hour, hours, amps = at // 3600.0, self._hours, self._amps
        if hours and hours[-1] == hour:
            if current_a <= amps[-1]:
                return False
            amps[-1] = current_a
        else:
            kept = [h > hour - HOURS for h in hours]
            self._hours = array("d", [*compress(hours, kept), hour])
            self._amps = array("d", [*compress(amps, kept), current_a])
        before, self.highest_a = self.highest_a, max(self._amps)
        return before != self.highest_a
