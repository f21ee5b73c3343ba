"""How far the BMS's state of charge is off, and when it moved with no charge to explain it.

Between two values of the BMS the count tells what its SoC should have done. A value that moves
further than that by `LEAST_STEP_PCT` is a step. To end at its full value (99 % and more), or at
the low end while the lowest cell is there too, is a re-anchoring: the BMS has set itself by what
it saw; anywhere else it is a fault. Two beginnings are taken for what the count explains, and
all between them: the value before, and the last change, so that a BMS that shows whole steps of
5 % has moved by what flowed since its last step. Allowed beside it: a fifth of what flowed, for
a BMS's capacity is what it was told, and what could have flowed while the current was not known.
Needs the BMS's SoC and the current; the error needs our own estimate. Ours, no source.
"""

from __future__ import annotations

from typing import Any

from watchd.estimators.charging.count import Count, saved_count, totals
from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, yes_no
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number(
        "soc_error_pct",
        "pct",
        "state of charge of the BMS minus soc_estimate_pct",
        within=(-105, 110),
    ),
    yes_no("soc_stepped", "in the last minute the BMS's SoC moved with no charge to explain it"),
    number("soc_step_pct", "pct", "size of the last such step"),
    yes_no("bms_reanchored", "in the last minute the BMS set its SoC to full, or to its low end"),
    number("since_reanchor_h", "h", "time since bms_reanchored was last seen", within=(0, None)),
)

_UNKNOWN: Figures = {figure.name: None for figure in FIGURES[1:]}
_UNSEEN: Figures = {**_UNKNOWN, "soc_stepped": False, "bms_reanchored": False}

LEAST_STEP_PCT = 3.0
# To arrive at full by rounding is a step of 1 %.
LEAST_REANCHOR_PCT = 1.5
FULL_PCT = 99.0
LOW_PCT = 15.0
SHOWN_S = 60.0
CAPACITY_ERROR = 0.2
HOLE_PCT_PER_H = 50.0
# 0.1 % steps of a float: 83.1 - 80.1 is not quite 3.
ROUNDING_PCT = 1e-6


class BmsSoc:
    """Compares each new value of the BMS with the count since the one before."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._nameplate_ah = setting.nameplate_ah
        self._low_v = setting.profile.low_end[-1][0]
        self._soc_pct: float | None = known.get("soc_pct")
        # The totals when the value was last given.
        self._before: tuple[float, ...] | None = saved_count(known.get("before"))
        self._changed = saved_count(known.get("changed"))  # when it came to be what it is
        self._step_pct: float | None = known.get("step_pct")
        self._stepped_at: float | None = known.get("stepped_at")
        self._reanchored_at: float | None = known.get("reanchored_at")
        self._told: Figures | None = None  # where it stands that nothing was seen

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "soc_pct": self._soc_pct,
            "before": list(self._before) if self._before else None,
            "changed": list(self._changed) if self._changed else None,
            "step_pct": self._step_pct,
            "stepped_at": self._stepped_at,
            "reanchored_at": self._reanchored_at,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        shown, own, now = sample.soc_pct, figures["soc_estimate_pct"], sample.at
        if shown is not None and "soc_pct" in sample.renewed:
            before, self._before = self._before, totals(figures)
            if shown != self._soc_pct:
                self._take(now, shown, before, figures)
        figures["soc_error_pct"] = (
            shown - own if shown is not None and isinstance(own, float) else None
        )
        stepped, reanchored = self._stepped_at, self._reanchored_at
        if stepped is None and reanchored is None:
            if figures is not self._told:
                figures.update(_UNKNOWN if self._soc_pct is None else _UNSEEN)
                self._told = figures
            return
        figures["soc_stepped"] = stepped is not None and now - stepped < SHOWN_S
        figures["soc_step_pct"] = self._step_pct
        figures["bms_reanchored"] = reanchored is not None and now - reanchored < SHOWN_S
        figures["since_reanchor_h"] = (now - reanchored) / 3600 if reanchored is not None else None

    def _take(
        self, at: float, shown: float, before: tuple[float, ...] | None, figures: Figures
    ) -> None:
        now, changed = Count.of(figures), self._changed
        if self._soc_pct is not None and before is not None and changed is not None:
            moved_pct = shown - self._soc_pct
            lately = now.since(Count(*before))
            step_pct = self._unexplained(moved_pct, lately, now.since(changed))
            self._judge(at, shown, step_pct, figures)
        self._soc_pct, self._changed, self._told = shown, now, None

    def _unexplained(self, moved_pct: float, lately: Count, since_change: Count) -> float:
        """What is left of a move after all that the count could explain; with its sign."""
        per_ah = 100 / self._nameplate_ah
        ends = [lately.net_ah * per_ah, since_change.net_ah * per_ah]
        low, high = min(ends), max(ends)
        hole_pct = HOLE_PCT_PER_H * lately.uncounted_h
        low -= CAPACITY_ERROR * abs(low) + hole_pct
        high += CAPACITY_ERROR * abs(high) + hole_pct
        return moved_pct - min(max(moved_pct, low), high)

    def _judge(self, at: float, shown: float, step_pct: float, figures: Figures) -> None:
        size_pct, low_v = abs(step_pct) + ROUNDING_PCT, figures["cell_min_v"]
        rises = step_pct > 0 and shown >= FULL_PCT
        at_knee = isinstance(low_v, float) and low_v <= self._low_v
        if rises or (step_pct < 0 and shown <= LOW_PCT and at_knee):
            if size_pct >= LEAST_REANCHOR_PCT:
                self._reanchored_at = at
        elif size_pct >= LEAST_STEP_PCT:
            self._stepped_at, self._step_pct = at, step_pct
