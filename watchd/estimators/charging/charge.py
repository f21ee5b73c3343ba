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
        since = known.get("since")
        self._begins, self._since = since is None, since or 0.0
        self._amps: float | None = known.get("amps")
        self._is_written = False

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        since = None if self._begins else self._since
        return {"totals": list(self._totals), "since": since, "amps": self._amps}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`. One function, for it runs with every sample of every pack."""
        now, amps = sample.at, sample.current_a
        if not self._is_written:
            self._begin(now, amps, figures)
        held, step_s = self._amps, now - self._since
        charged, discharged, counted_s, uncounted_s = self._totals
        if held is None:
            uncounted_s += step_s
            figures["uncounted_h"] = uncounted_s / 3600.0
        else:
            held_s = step_s
            if step_s > self._gap_s:
                held_s = self._gap_s
                uncounted_s += step_s - held_s
                figures["uncounted_h"] = uncounted_s / 3600.0
            if held >= 0.0:
                charged += held * held_s
                figures["charged_ah"] = charged / 3600.0
            else:
                discharged -= held * held_s
                figures["discharged_ah"] = discharged / 3600.0
            counted_s += held_s
            figures["counted_h"] = counted_s / 3600.0
            figures["equivalent_cycles"] = (charged + discharged) / self._cycle_as
        if "current_a" in sample.renewed or (amps is None) != (held is None):
            self._totals = (charged, discharged, counted_s, uncounted_s)
            self._since, self._amps = now, amps

    def _begin(self, now: float, amps: float | None, figures: Figures) -> None:
        """Write all as it stood; from then on what has grown is."""
        self._is_written = True
        if self._begins:
            self._begins, self._since, self._amps = False, now, amps
        charged, discharged, counted_s, uncounted_s = self._totals
        figures["charged_ah"], figures["discharged_ah"] = charged / 3600.0, discharged / 3600.0
        figures["counted_h"], figures["uncounted_h"] = counted_s / 3600.0, uncounted_s / 3600.0
        figures["equivalent_cycles"] = (charged + discharged) / self._cycle_as
