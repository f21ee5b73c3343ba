"""Usable capacity: the charge from full to the moment when the lowest cell is empty, and health.

Between the end of a full charge and the deepest point of a low anchor both the change of the SoC x
and the charge y that flowed are known, in both directions; y = Q x by total least squares, whose
memory fades so that ageing shows (Plett, J. Power Sources 196 (2011) 2319-2331). y is the count
less the offset and loss that `offset` learned. Each pair goes in with its whole sigma, shared
between x and y in one ratio: there the approximation of `total_least_squares` is exact. The prior
is the nameplate, +- 8 %. A pair with a hole in the count tells nothing.
sigma: that of the fit, and what no number of pairs averages away (`SYSTEMATIC`). Withheld until the
first pair; the pack must have gone below its low knee. Ah are those of the BMS's current sensor.
"""

from __future__ import annotations

from math import hypot, sqrt
from typing import Any, cast

from watchd.estimators.charging.count import Count
from watchd.estimators.estimator import Setting
from watchd.estimators.soc.offset import COUNT_NOISE, Learned
from watchd.estimators.soc.total_least_squares import TotalLeastSquares
from watchd.figures import Figure, Figures, number
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number(
        "capacity_ah",
        "ah",
        "usable capacity, from full to the lowest cell empty, as measured",
        within=(0, None),
    ),
    number("capacity_sigma_ah", "ah", "standard error of capacity_ah"),
    number(
        "soh_pct",
        "pct",
        "state of health: usable capacity over nameplate capacity",
        within=(0, None),
    ),
    number("soh_sigma_pct", "pct", "standard error of soh_pct"),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}

PRIOR_SIGMA = 0.08
FADING = 0.98  # a pair; two come with each deep cycle
# Gain of the current sensor 0.7 %, and the low end of another make's curve 0.8 %; ours.
SYSTEMATIC = hypot(0.007, 0.008)
LEAST_CHANGE = 0.5
GATE = 4.0
FIRST_SIGMA = 0.15  # what the first pair may be off from nameplate, before `GATE`
TURNS = 3

# A point of known charge: the count, SoC and its sigma as parts of one.
Point = tuple[Count, float, float]


class Capacity:
    """Pairs between anchors. Work only at anchors, and where a full charge ends."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._nameplate_ah = setting.nameplate_ah
        self._line = TotalLeastSquares(FADING, known.get("line"))
        self._pairs: int = known.get("pairs", 0)
        self._refused: int = known.get("refused", 0)
        # The end of the last full charge, the deepest point since, and a full that may go on.
        self._full = _saved_point(known.get("full"))
        self._deepest = _saved_point(known.get("deepest"))
        self._end = _saved_point(known.get("end"))
        self._figures: Figures = _UNKNOWN
        self._told: Figures | None = None  # where they stand
        self._write()

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "line": self._line.snapshot(),
            "pairs": self._pairs,
            "refused": self._refused,
            "full": _point_snapshot(self._full),
            "deepest": _point_snapshot(self._deepest),
            "end": _point_snapshot(self._end),
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        del sample
        anchor = figures["anchor"]
        if anchor == "full":
            self._end = _point(figures)
        elif anchor == "low" and self._end is None:
            point = _point(figures)
            if self._deepest is None or point[1] < self._deepest[1]:
                self._deepest = point
        if self._end is not None and figures["charge_state"] not in ("FULL", None):
            self._full_ended(self._end, Learned.of(figures))
        if figures is not self._told:
            figures.update(self._figures)
            self._told = figures

    def _full_ended(self, end: Point, learned: Learned) -> None:
        if self._deepest is not None:
            if self._full is not None:
                self._take(self._full, self._deepest, learned)
            self._take(self._deepest, end, learned)
            self._write()
        self._full, self._deepest, self._end = end, None, None

    def _take(self, begin: Point, end: Point, learned: Learned) -> None:
        counted, change = end[0].since(begin[0]), end[1] - begin[1]
        if counted.has_hole or abs(change) < LEAST_CHANGE:
            return
        moved_ah, count_sigma_ah = learned.corrected(counted)
        noise_ah = COUNT_NOISE * self._nameplate_ah * sqrt(counted.counted_h)
        sigma = hypot(begin[2], end[2], hypot(count_sigma_ah, noise_ah) / self._nameplate_ah)
        expected_ah, expected_sigma_ah = self._expected()
        off_ah = moved_ah / change - expected_ah
        if abs(off_ah) > GATE * hypot(expected_sigma_ah, sigma * expected_ah / abs(change)):
            self._refused += 1
            if self._refused >= TURNS:
                self._line, self._pairs, self._refused = TotalLeastSquares(FADING), 0, 0
            return
        if not self._pairs:
            self._add(1.0, self._nameplate_ah, PRIOR_SIGMA)
        self._add(change, moved_ah, sigma)
        self._pairs, self._refused = self._pairs + 1, 0

    def _add(self, change: float, moved_ah: float, sigma: float) -> None:
        each = sigma / sqrt(2)
        self._line.add(change, moved_ah, each, each * self._nameplate_ah)

    def _expected(self) -> tuple[float, float]:
        found = self._line.slope() if self._pairs else None
        # A pack of half its nameplate capacity must be seen too.
        return found or (self._nameplate_ah, FIRST_SIGMA * self._nameplate_ah)

    def _write(self) -> None:
        self._told = None
        found = self._line.slope() if self._pairs else None
        if found is None:
            self._figures = _UNKNOWN
            return
        capacity_ah, sigma_ah = found[0], hypot(found[1], SYSTEMATIC * found[0])
        self._figures = {
            "capacity_ah": capacity_ah,
            "capacity_sigma_ah": sigma_ah,
            "soh_pct": 100 * capacity_ah / self._nameplate_ah,
            "soh_sigma_pct": 100 * sigma_ah / self._nameplate_ah,
        }


def known_capacity(figures: Figures, nameplate_ah: float) -> tuple[float, float]:
    """Capacity and its sigma in Ah; the nameplate's as long as none was measured."""
    capacity_ah, sigma_ah = figures["capacity_ah"], figures["capacity_sigma_ah"]
    if isinstance(capacity_ah, float) and isinstance(sigma_ah, float):
        return capacity_ah, sigma_ah
    return nameplate_ah, PRIOR_SIGMA * nameplate_ah


def _point(figures: Figures) -> Point:
    soc_pct = cast("float", figures["anchor_soc_pct"])
    sigma_pct = cast("float", figures["anchor_sigma_pct"])
    return Count.of(figures), soc_pct / 100, sigma_pct / 100


def _point_snapshot(point: Point | None) -> list[Any] | None:
    return [list(point[0]), *point[1:]] if point is not None else None


def _saved_point(saved: list[Any] | None) -> Point | None:
    return (Count(*saved[0]), saved[1], saved[2]) if saved is not None else None
