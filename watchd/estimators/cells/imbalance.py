"""Imbalance of each cell in Ah, at the top and at the bottom, and what they say of its size.

At the top it is the charge between the crossings of the upper knee by the median cell and by this
one (positive: ahead, full before the others); at the bottom, on the way down through the low knee,
the charge that this cell still has when the median cell crosses (positive: more left); see
`crossings`. The voltages are taken less current times the resistance of the cell's path (`joints`).
A cell that is high at the top and low at the bottom is small: its capacity is below the median's by
the one minus the other.

One way up ends when the pack has given back `TURN` of its nameplate capacity, one way down when as
much went in. Each end's finding replaces the older the more the older it is: the balancer moves
charge meanwhile. A way in which time passed without a count of charge tells nothing.

Withheld until such a way has ended in which more than half of the cells crossed, and every cell is
known. On the flat part a few mV stand for many Ah: lags from there have a large standard error, and
a figure is withheld while its own exceeds `CLEAR` of nameplate capacity and `CLEAR_PART` of itself.
It also needs `resistance_mohm`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from watchd.estimators.cells.blocks import Block, Blocks, is_one_moment
from watchd.estimators.cells.ways import (
    LEAST_SIGMA_AH,
    End,
    Reading,
    Way,
    lower_levels,
    upper_levels,
)
from watchd.estimators.charging.count import Count
from watchd.estimators.estimator import Setting
from watchd.figures import About, Figure, Figures, number
from watchd.telemetry.names import CELL_NO
from watchd.telemetry.sample import Sample

TURN = 0.05  # of nameplate capacity: less is a cloud or a kettle
MARGIN_V = 0.02  # so far before the first level, readings are already followed
LOOK_S = 60.0
BEGIN = 0.01  # of nameplate capacity, after a turn
# Standard errors with which a figure is told: of nameplate capacity (twice that for a shortfall,
# which is a difference), or of the figure itself; and that of the other cells, any of which might
# else be the worst.
CLEAR, CLEAR_PART, DOUBT = 0.005, 0.08, 0.02
# By how much cells of a pack differ in size, before it is known; common practice, no source.
SIZE_PART = 0.02
BLOCK_S, STEP_C_RATE = 30.0, 0.02

FIGURES: tuple[Figure, ...] = (
    number("imbalance_ah", "ah", "charge by which the most deviating cell is ahead at the top"),
    number("imbalance_sigma_ah", "ah", "standard error of imbalance_ah"),
    number("imbalance_cell_no", "", "number of that cell, the first is 1", within=CELL_NO),
    number(
        "bottom_imbalance_ah", "ah", "charge that the most deviating cell has more at the bottom"
    ),
    number("bottom_imbalance_sigma_ah", "ah", "standard error of bottom_imbalance_ah"),
    number("bottom_imbalance_cell_no", "", "number of that cell, the first is 1", within=CELL_NO),
    number("cell_shortfall_ah", "ah", "capacity by which the smallest cell is below the median"),
    number("cell_shortfall_sigma_ah", "ah", "standard error of cell_shortfall_ah"),
    number(
        "cell_shortfall_cell_no", "", "number of the smallest cell, the first is 1", within=CELL_NO
    ),
)
CELL_FIGURES: tuple[Figure, ...] = (
    number("cell_imbalance_ah", "ah", "charge by which this cell is ahead at the top", About.CELL),
    number("cell_imbalance_sigma_ah", "ah", "standard error of cell_imbalance_ah", About.CELL),
    number("cell_left_ah", "ah", "charge that this cell has more at the bottom", About.CELL),
    number("cell_left_sigma_ah", "ah", "standard error of cell_left_ah", About.CELL),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}


class Imbalance:
    """Watches the way up and the way down. About 3 us a sample near an end, else below 1 us."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        nameplate = self._nameplate_ah = setting.nameplate_ah
        self._within_s = setting.parts_within_s
        self._blocks = Blocks(BLOCK_S, STEP_C_RATE * nameplate, known.get("blocks"))
        self._is_near = True  # or was, and the blocks hold something of it
        self._looked_at: float = known.get("looked_at", 0.0)
        cells = self._cells = setting.cells
        up, down = upper_levels(setting.profile), lower_levels(setting.profile)
        self._up_from_v, self._down_from_v = up[0].volts - MARGIN_V, down[0].volts + MARGIN_V
        self._up = Way(1.0, up, nameplate, cells, known.get("up"))
        self._down = Way(-1.0, down, nameplate, cells, known.get("down"))
        self._hole_h: float | None = known.get("hole_h")
        self._figures: Figures = dict(known.get("figures", _UNKNOWN))
        self._told: Figures | None = None  # where they stand

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "blocks": self._blocks.snapshot(),
            "looked_at": self._looked_at,
            "up": self._up.snapshot(),
            "down": self._down.snapshot(),
            "hole_h": self._hole_h,
            "figures": dict(self._figures),
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        cells, amps = sample.cell_v, sample.current_a
        if cells is not None and amps is not None and "cell_v" in sample.renewed:
            # Known, as the cells are.
            high_v, low_v = figures["cell_max_v"], figures["cell_min_v"]
            if amps > 0.0:
                near = isinstance(high_v, float) and high_v >= self._up_from_v
            else:
                near = isinstance(low_v, float) and low_v <= self._down_from_v
            if not near:
                if self._is_near:
                    self._is_near = False
                    self._blocks.drop()
                if not 0.0 <= sample.at - self._looked_at < LOOK_S:
                    self._look(sample.at, figures)
            elif is_one_moment(sample.measured_at, self._within_s):
                self._is_near = True
                block = self._blocks.take(sample.at, cells, amps)
                if block is not None:
                    count = self._look(sample.at, figures)
                    self._cross(block, sample.at, count, figures)
        if figures is not self._told:
            figures.update(self._figures)
            self._told = figures

    def of_cell(self, cell: int) -> Figures:
        """`CELL_FIGURES` of the 0-based `cell`, withheld as those of the pack are."""
        top, low = self._up.ends[cell], self._down.ends[cell]
        found: Figures = {}
        for name, end in (("imbalance", top), ("left", low.turned() if low else None)):
            clear = end is not None and self._is_clear(end, CLEAR)
            found[f"cell_{name}_ah"] = end.ahead_ah if end is not None and clear else None
            found[f"cell_{name}_sigma_ah"] = end.sigma_ah if end is not None and clear else None
        return found

    def _is_clear(self, end: End, clear: float) -> bool:
        return end.sigma_ah <= max(
            clear * self._nameplate_ah, CLEAR_PART * abs(end.ahead_ah), LEAST_SIGMA_AH
        )

    def _look(self, at: float, figures: Figures) -> Count:
        """Whether a way has begun or ended, by the charge that has moved."""
        self._looked_at = at
        count, whole_mohm = Count.of(figures), figures["resistance_mohm"]
        if count.uncounted_h != self._hole_h:
            self._hole_h = count.uncounted_h
            self._up.stop()
            self._down.stop()
        if not isinstance(whole_mohm, float):
            return count
        turn_ah, begin_ah = TURN * self._nameplate_ah, BEGIN * self._nameplate_ah
        for way in (self._up, self._down):
            if way.has_ended(count.net_ah, turn_ah, begin_ah):
                way.end(at, whole_mohm / self._cells, self._sizes())
                self._figures, self._told = self._found(), None
        return count

    def _cross(self, block: Block, now: float, count: Count, figures: Figures) -> None:
        whole_mohm = figures["resistance_mohm"]
        if not isinstance(whole_mohm, float):
            return
        way = self._up if block.current_a > 0.0 else self._down
        if way.going:
            volts = _without_resistance(block, whole_mohm / self._cells, figures)
            moved_ah = count.net_ah - block.current_a * (now - block.at) / 3600.0
            way.cross(Reading(block.at, volts, moved_ah, block.current_a))

    def _found(self) -> Figures:
        bottoms = [e.turned() if e else None for e in self._down.ends]
        return {
            **self._worst("imbalance", self._up.ends, abs, CLEAR),
            **self._worst("bottom_imbalance", bottoms, abs, CLEAR),
            **self._worst("cell_shortfall", self._shortfalls(), float, 2 * CLEAR),
        }

    def _shortfalls(self) -> list[End | None]:
        return [
            top.less(low.turned()) if top and low else None
            for top, low in zip(self._up.ends, self._down.ends, strict=True)
        ]

    def _sizes(self) -> list[tuple[float, float]]:
        """By which part each cell is larger than the median, and its sigma."""
        return [
            (-e.ahead_ah / self._nameplate_ah, max(e.sigma_ah / self._nameplate_ah, SIZE_PART / 2))
            if e is not None
            else (0.0, SIZE_PART)
            for e in self._shortfalls()
        ]

    def _worst(
        self, name: str, ends: list[End | None], size: Callable[[float], float], clear: float
    ) -> Figures:
        found: Figures = {f"{name}_ah": None, f"{name}_sigma_ah": None, f"{name}_cell_no": None}
        known = [end for end in ends if end is not None]
        # A cell of which nothing is known might be the worst.
        if len(known) < len(ends) or any(e.sigma_ah > DOUBT * self._nameplate_ah for e in known):
            return found
        worst = max(known, key=lambda end: size(end.ahead_ah))
        if self._is_clear(worst, clear):
            found[f"{name}_ah"], found[f"{name}_sigma_ah"] = worst.ahead_ah, worst.sigma_ah
            found[f"{name}_cell_no"] = known.index(worst) + 1
        return found


def _without_resistance(block: Block, cell_mohm: float, figures: Figures) -> list[float]:
    drop_v = block.current_a * cell_mohm / 1000.0
    volts = [v - drop_v for v in block.cell_v]
    excess, cell_no = figures["joint_excess_mohm"], figures["joint_cell_no"]
    if isinstance(excess, float) and isinstance(cell_no, int):
        volts[cell_no - 1] -= block.current_a * excess / 1000.0
    return volts
