"""Charge counted in and out of a pack, by its BMS's current as it is reported.

Charge is the sum of current times time (coulomb counting: Ng et al., Applied Energy 86 (2009)
1506-1511). A current holds until the next one comes, at most for `longest_gap_s`; time beyond that
is counted as time without a count. Nothing is corrected here: the sensor's offset is `offset`'s.
"""

from __future__ import annotations

from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number(
        "charged_ah", "ah", "charge that went in since watchd first saw the pack", within=(0, None)
    ),
    number(
        "discharged_ah",
        "ah",
        "charge that came out since watchd first saw the pack",
        within=(0, None),
    ),
    number(
        "counted_h",
        "h",
        "time in which the current was known and its charge counted",
        within=(0, None),
    ),
    number("uncounted_h", "h", "time in which the current was not known", within=(0, None)),
    number(
        "equivalent_cycles",
        "",
        "charge in and out over twice the nameplate capacity",
        within=(0, None),
    ),
)


class Charge:
    """Counts. The totals only grow; others take differences of them.

    A total is brought up to date when the current changes, and only read in between: how often
    it is looked at does not change it.
    """

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._gap_s, self._cycle_as = setting.longest_gap_s, 7200.0 * setting.nameplate_ah
        # In, out (As), time counted and not counted (s), all as of `_since`.
        self._totals: tuple[float, float, float, float] = tuple(
            known.get("totals", (0.0, 0.0, 0.0, 0.0))
        )
        self._since: float | None = known.get("since")
        self._amps: float | None = known.get("amps")

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {"totals": list(self._totals), "since": self._since, "amps": self._amps}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`. One function, for it runs with every sample of every pack."""
        now, amps, held = sample.at, sample.current_a, self._amps
        charged, discharged, counted_s, uncounted_s = self._totals
        if self._since is not None:
            step_s = now - self._since
            if held is None:
                uncounted_s += step_s
            else:
                held_s = min(self._gap_s, step_s)
                if held >= 0.0:
                    charged += held * held_s
                else:
                    discharged -= held * held_s
                counted_s += held_s
                uncounted_s += step_s - held_s
        if "current_a" in sample.renewed or self._since is None or (amps is None) != (held is None):
            self._totals = (charged, discharged, counted_s, uncounted_s)
            self._since, self._amps = now, amps
        figures["charged_ah"], figures["discharged_ah"] = charged / 3600.0, discharged / 3600.0
        figures["counted_h"], figures["uncounted_h"] = counted_s / 3600.0, uncounted_s / 3600.0
        figures["equivalent_cycles"] = (charged + discharged) / self._cycle_as
