"""Values that repeat exactly while the current says that they must move.

Cells: the ohmic part of a cell's path moves its voltage by R dI. Sheets give 0.20 mOhm at 1 kHz for
a cell of 105 Ah, and a load of seconds sees 2 to 4 times that (the factor from memory); as other
sizes have about the same product, at least 42 mOhm Ah: 0.1 C moves a cell by 4 mV or more. A value
that moves by more than the step it is rounded to has to change. So cells that are all the same on
three renewals, two minutes long, with a current 0.1 C from what it was, are not being measured.
Charge moves them too: 6 % of capacity by 1.1 mV where the curve is flattest (LFP of Afshar et al.
2017 against graphite of Chen et al. 2020). Coarser steps than 1 mV raise both limits. Near the
top a charger may hold the voltage while the current falls, and a full cell rests close to it: there
only a current out counts, and charge that flowed out.

SoC: the same while the charge counted in or out passes 10 % of nameplate. It may stand at its end:
at 99 % and above while charging, at 1 % and below while discharging.

Current: exactly the same, zero too, while the mean of the cells steps up twice and down twice by
15 mV within an hour on the flat part. Cells that relax after a step only go one way.

Unknown while the current is, or both cells and SoC are. Needs `charge` before it.
"""

from __future__ import annotations

import math
from operator import itemgetter
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, text, yes_no
from watchd.telemetry.sample import Sample

PATH_MOHM_AH = 42.0
MOVED_C_RATE = 0.1
MOVED_STEPS = 1.5  # of the voltage's own steps
MOVED_CHARGE = 0.06  # of nameplate, for each mV of a step
RENEWALS = 3
LASTING_S = 120.0  # a bridge that polls cells once a minute repeats them in between
LARGEST_STEP_MV = 10  # what divides cells that are all alike says nothing of their step
BELOW_KNEE_V = 0.05  # a charger that holds the voltage is less than this below the upper knee

SOC_CHARGE = 0.1  # of nameplate
SOC_TOP_PCT, SOC_BOTTOM_PCT = 99.0, 1.0

STEP_V = 0.015  # more than one step of the coarsest that is met, 10 mV
STEPS_EACH_WAY = 2
STEP_WITHIN_S = 60.0
STEPS_WITHIN_S = 3600.0

HOLE_H = 0.05  # so long without a count, and the charge since is not known

FIGURES: tuple[Figure, ...] = (
    yes_no("telemetry_frozen", "whether measurements repeat though the current says they move"),
    text("telemetry_frozen_what", "which measurements are frozen, and what shows it"),
)

# Time (s), current (A), net charge counted (Ah) and time without a count (h).
Moment = tuple[float, float, float, float]
_COUNTED = itemgetter("charged_ah", "discharged_ah", "uncounted_h")


class Still:
    """A measurement that has had the same value since a moment.

    Current and charge are compared with those of `then`; after a hole in its count, charge anew.
    `moved_at` is when the current was first seen to be another, in `moved` renewals.
    """

    __slots__ = ("found", "moved", "moved_at", "renewals", "since", "then", "value")

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        value = known.get("value")
        self.value: Any = tuple(value) if isinstance(value, list) else value
        self.since: float = known.get("since", 0.0)
        self.then: Moment = tuple(known.get("then", (0.0, 0.0, 0.0, 0.0)))
        self.renewals: int = known.get("renewals", 0)
        self.moved: int = known.get("moved", 0)
        self.moved_at: float = known.get("moved_at", 0.0)
        self.found: str | None = known.get("found")

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "value": list(self.value) if isinstance(self.value, tuple) else self.value,
            "since": self.since,
            "then": list(self.then),
            "renewals": self.renewals,
            "moved": self.moved,
            "moved_at": self.moved_at,
            "found": self.found,
        }

    def begin(self, value: Any, now: Moment) -> None:
        """It has another value now."""
        self.value, self.since, self.then = value, now[0], now
        if self.renewals:
            self.forget()

    def forget(self) -> None:
        """Of the value that it has now nothing is found."""
        self.renewals = self.moved = 0
        self.found = None

    def repeat(self, now: Moment) -> float:
        """It came again, the same; the charge since `then`, Ah."""
        if now[3] - self.then[3] > HOLE_H:
            self.then, self.renewals = (now[0], self.then[1], now[2], now[3]), 0
        self.renewals += 1
        return now[2] - self.then[2]


class Frozen:
    """Watches cells, SoC and current of one pack. Constant work and memory per sample."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._nameplate_ah, self._profile = setting.nameplate_ah, setting.profile
        self._soc_ah = SOC_CHARGE * setting.nameplate_ah
        self._cells = Still(known.get("cells"))
        self._soc = Still(known.get("soc"))
        self._current = Still(known.get("current"))
        # Time and mean of the last set; steps up and down, and the time of the first of them.
        self._set_at, self._mean_v = known.get("set", (0.0, 0.0))
        self._ups, self._downs, self._first_step = known.get("steps", (0, 0, 0.0))
        self._what = self._told()
        self._may_be_found = self._what != "none"
        self._written: str | None = ""

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "cells": self._cells.snapshot(),
            "soc": self._soc.snapshot(),
            "current": self._current.snapshot(),
            "set": [self._set_at, self._mean_v],
            "steps": [self._ups, self._downs, self._first_step],
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        amps = sample.current_a
        what: str | None = self._what
        if amps is None or (sample.cell_v is None and sample.soc_pct is None):
            what = None
        elif sample.renewed:
            what = self._take(sample, amps, figures)
        if what is not self._written:
            figures["telemetry_frozen"] = what != "none" if what is not None else None
            figures["telemetry_frozen_what"] = self._written = what

    def _take(self, sample: Sample, amps: float, figures: Figures) -> str:
        at, renewed = sample.at, sample.renewed
        current, cells, soc = self._current, self._cells, self._soc
        charged_ah, discharged_ah, uncounted_h = _COUNTED(figures)
        now: Moment = (at, amps, charged_ah - discharged_ah, uncounted_h)
        if "current_a" in renewed and amps != current.value:
            current.value, current.since, current.found = amps, at, None
            self._ups = self._downs = 0
        if "cell_v" in renewed:
            mean_v, cell_v = figures["cell_mean_v"], sample.cell_v
            if isinstance(mean_v, float):
                if cell_v != cells.value:
                    # As `begin` does: cells move with nearly every sample.
                    cells.value, cells.since, cells.then = cell_v, at, now
                    if cells.renewals:
                        cells.forget()
                    if not -STEP_V < mean_v - self._mean_v < STEP_V:
                        self._step(at, mean_v)
                    self._mean_v = mean_v
                else:
                    self._cells_again(now)
                self._set_at = at
        if "soc_pct" in renewed:
            soc_pct = sample.soc_pct
            if soc_pct is not None:
                if soc_pct != soc.value:
                    soc.begin(soc_pct, now)
                elif abs(soc.repeat(now)) >= self._soc_ah:
                    self._soc_again(soc_pct, now)
        if self._may_be_found:
            self._what = self._told()
            self._may_be_found = self._what != "none"
        return self._what

    def _told(self) -> str:
        stills = (self._cells, self._soc, self._current)
        return "; ".join(still.found for still in stills if still.found) or "none"

    def _cells_again(self, now: Moment) -> None:
        cells = self._cells
        net_ah = cells.repeat(now)
        at, amps, then = now[0], now[1], cells.then[1]
        change_c = abs(amps - then) / self._nameplate_ah
        charge_c = abs(net_ah) / self._nameplate_ah
        if change_c < MOVED_C_RATE and charge_c < MOVED_CHARGE:
            return
        self._may_be_found = True
        held = max(cells.value) > self._profile.upper_knee_v - BELOW_KNEE_V
        step_mv = _step_mv(cells.value)
        needed_c = max(MOVED_C_RATE, MOVED_STEPS * step_mv / PATH_MOHM_AH)
        if held:
            change_c = (min(then, 0.0) - amps) / self._nameplate_ah
        another = change_c >= needed_c
        if another:
            cells.moved_at = cells.moved_at if cells.moved else at
            cells.moved += 1
        charge = charge_c >= MOVED_CHARGE * step_mv and not (held and net_ah > 0.0)
        if charge and cells.renewals >= RENEWALS:
            cells.found = (
                f"cell voltages unchanged for {_span(at - cells.since)} while {_flow(net_ah)}"
            )
        elif another and cells.moved >= RENEWALS and at - cells.moved_at >= LASTING_S:
            cells.found = (
                f"cell voltages unchanged for {_span(at - cells.since)} "
                f"while the current went from {then:.1f} A to {amps:.1f} A"
            )

    def _soc_again(self, soc_pct: float, now: Moment) -> None:
        soc = self._soc
        net_ah = now[2] - soc.then[2]
        if soc.renewals < RENEWALS:
            return
        if soc_pct >= SOC_TOP_PCT if net_ah > 0.0 else soc_pct <= SOC_BOTTOM_PCT:
            return
        self._may_be_found = True
        soc.found = (
            f"state of charge unchanged at {soc_pct:.0f} % for {_span(now[0] - soc.since)} "
            f"while {_flow(net_ah)}"
        )

    def _step(self, at: float, mean_v: float) -> None:
        """The cells moved by `STEP_V` or more: in a step, as only a current makes?"""
        before_v, current = self._mean_v, self._current
        if at - self._set_at > STEP_WITHIN_S:
            return
        change_v = mean_v - before_v
        low, high = (before_v, mean_v) if change_v > 0.0 else (mean_v, before_v)
        flat = self._profile.flat_from_v <= low and high <= self._profile.upper_knee_v
        if not flat or current.value is None:
            return
        if self._ups + self._downs == 0 or at - self._first_step > STEPS_WITHIN_S:
            self._ups, self._downs, self._first_step = 0, 0, at
        self._ups += change_v > 0.0
        self._downs += change_v < 0.0
        if min(self._ups, self._downs) >= STEPS_EACH_WAY:
            self._may_be_found = True
            current.found = (
                f"current unchanged at {current.value:.1f} A for {_span(at - current.since)} "
                f"while the cells stepped by {abs(change_v) * 1000:.0f} mV"
            )


def _step_mv(cells: tuple[float, ...]) -> int:
    """The step that cells are rounded to: the greatest that they all have in whole mV."""
    return min(max(math.gcd(*(round(v * 1000) for v in cells)), 1), LARGEST_STEP_MV)


def _flow(net_ah: float) -> str:
    return f"{abs(net_ah):.1f} Ah flowed {'in' if net_ah > 0.0 else 'out'}"


def _span(seconds: float) -> str:
    minutes = int(seconds // 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60} min"
