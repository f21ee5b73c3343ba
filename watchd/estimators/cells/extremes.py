"""Highest, lowest and mean cell, and the spread between them."""

from __future__ import annotations

from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import About, Figure, Figures, number
from watchd.telemetry.names import CELL_NO, CELL_V, SPREAD_MV
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number("cell_max_v", "v", "voltage of the highest cell", within=CELL_V, noisy=True),
    number("cell_min_v", "v", "voltage of the lowest cell", within=CELL_V, noisy=True),
    number("cell_mean_v", "v", "mean voltage of the cells", within=CELL_V, noisy=True),
    number(
        "cell_max_no", "", "number of the highest cell, the first is 1", within=CELL_NO, noisy=True
    ),
    number(
        "cell_min_no", "", "number of the lowest cell, the first is 1", within=CELL_NO, noisy=True
    ),
    number(
        "cell_spread_mv", "mv", "spread: highest minus lowest cell", within=SPREAD_MV, noisy=True
    ),
)
CELL_FIGURES: tuple[Figure, ...] = (
    number("cell_no", "", "number of this cell, the first is 1", About.CELL, within=CELL_NO),
    number("cell_v", "v", "voltage of this cell", About.CELL, within=CELL_V, noisy=True),
    number(
        "cell_deviation_mv",
        "mv",
        "this cell minus the mean of the pack's cells",
        About.CELL,
        within=(-SPREAD_MV[1], SPREAD_MV[1]),
        noisy=True,
    ),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}


class Extremes:
    """The cells of a sample always belong to one moment. Keeps what it last saw, for speed only."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del setting, saved
        self._cells: tuple[float, ...] | None = None
        self._told: Figures | None = None
        self._spread_v, self._spread_mv = 0.0, 0.0

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        cells = sample.cell_v
        if cells is self._cells and figures is self._told:
            return
        self._cells, self._told = cells, figures
        if cells is None:
            figures.update(_UNKNOWN)
            return
        ordered = sorted(cells)  # faster than to look for both ends
        high, low = ordered[-1], ordered[0]
        figures["cell_max_v"], figures["cell_min_v"] = high, low
        figures["cell_mean_v"] = sum(cells, 0.0) / len(cells)
        # Of several equal cells the first is named.
        figures["cell_max_no"] = cells.index(high) + 1
        figures["cell_min_no"] = cells.index(low) + 1
        if high - low != self._spread_v:
            self._spread_v = high - low
            # 40 mV is 40, not 40.00000000000004: a limit is held against it.
            self._spread_mv = round(self._spread_v * 1000, 3)
        figures["cell_spread_mv"] = self._spread_mv


def cell_figures(cell: int, sample: Sample, figures: Figures) -> Figures:
    """`CELL_FIGURES` of the 0-based `cell`, beside the figures of its pack."""
    volts = sample.cell_v[cell] if sample.cell_v is not None else None
    mean = figures["cell_mean_v"]
    deviation = (volts - mean) * 1000 if volts is not None and isinstance(mean, float) else None
    return {
        **figures,
        "cell_no": cell + 1,
        "cell_v": volts,
        "cell_deviation_mv": round(deviation, 3) if deviation is not None else None,
    }
