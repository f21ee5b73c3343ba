"""Measurements that cannot all be true.

- Sum: the cells' voltages against the pack's, measured within `parts_within` of each other. The two
  differ by gain errors (0.5 % is a usual sensor's) and by what the current drops in fuse, shunt and
  contactor (2 mOhm); more than 0.6 % of the voltage or 0.25 V, and 2 mOhm times the current beside
  it, for a minute and to one side, is a wrong number of cells, a wrong scale or a stuck value.
  Shorter, it is a load that changed between the two measurements.
- Cell: one moves against the median of the cells by more than 0.25 V between two sets a minute
  apart at most, beside what a change of current explains with 5 mOhm (a cell's path with a bad
  joint), and what the charge of the interval does at 30 V a unit of SoC, steeper than an LFP cell's
  ends from 2.5 V up. Below 2.5 V there is no such bound.
- Temperature: a sensor steps by more than 5 K within a minute: 1 C through 0.5 mOhm at 200 Ah heats
  a cell of 4 kg by 0.3 K a minute (1.1 kJ/kg K, from memory). Or the sensors of one pack lie more
  than 40 K apart: one that is open or shorted reads an end of its scale.
- A cell outside 1.5 to 4.5 V, the range that the config admits; a current above three times what
  the pack may carry.

Limits without a source are common practice. What is found stays for `HOLD_S`, with the words of
when it began, so that a rule sees what lasted a moment. Unknown while nothing is measured.
"""

from __future__ import annotations

from operator import itemgetter
from statistics import median
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, text, yes_no
from watchd.telemetry.sample import Sample

HOLD_S = 600.0
WITHIN_S = 60.0

SUM_PART, SUM_LEAST_V, WIRING_OHM = 0.006, 0.25, 0.002
SUM_LASTING_S, SUM_TIMES = 60.0, 3

STEP_V, PATH_OHM, STEEPEST_V = 0.25, 0.005, 30.0
STEEP_ABOVE_V = 2.5

JUMP_K, APART_K = 5.0, 40.0
LOWEST_V, HIGHEST_V = 1.5, 4.5
TIMES_CARRIED = 3.0

FIGURES: tuple[Figure, ...] = (
    yes_no("telemetry_implausible", "whether measurements lately contradicted each other"),
    text("telemetry_implausible_what", "which did, and how"),
)
# Known where cells are.
_OF_CELLS = itemgetter("cell_max_v", "cell_min_v", "cell_mean_v")


class Implausible:
    """Checks what is renewed. Constant work and memory per sample."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        pack = setting.pack
        carried = max(pack.max_charge_a, pack.max_discharge_a or setting.nameplate_ah)
        self._most_a = TIMES_CARRIED * carried
        self._parts_within_s, self._nameplate_ah = setting.parts_within_s, setting.nameplate_ah
        self._written: str | None = ""
        # What was found: until when it stays, and its words.
        self._found: dict[str, tuple[float, str]] = {
            kind: (until, words) for kind, (until, words) in known.get("found", {}).items()
        }
        self._lapse_at = min((until for until, _ in self._found.values()), default=float("inf"))
        self._what = "; ".join(words for _, words in self._found.values()) or "none"
        # Sum against pack: which side, since when, how often.
        self._side, self._side_since, self._times = known.get("sum", (0, 0.0, 0))
        # The last set: its time, cells, spread, and the current.
        cells = known.get("cells")
        self._cells: tuple[float, ...] | None = tuple(cells) if cells else None
        self._set_at, self._spread_v, self._amps = known.get("set", (0.0, 0.0, None))
        self._temperatures: tuple[float, ...] = tuple(known.get("temperatures", ()))
        self._apart: bool = known.get("apart", False)
        self._temperatures_at: float = known.get("temperatures_at", 0.0)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "found": {kind: list(entry) for kind, entry in self._found.items()},
            "sum": [self._side, self._side_since, self._times],
            "cells": list(self._cells) if self._cells else None,
            "set": [self._set_at, self._spread_v, self._amps],
            "temperatures": list(self._temperatures),
            "temperatures_at": self._temperatures_at,
            "apart": self._apart,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        at, renewed = sample.at, sample.renewed
        if renewed:
            cells, amps = sample.cell_v, sample.current_a
            if cells is not None and ("cell_v" in renewed or "voltage_v" in renewed):
                self._look_at_volts(sample, cells, figures)
            now = sample.temperature_degc
            if now and "temperature_degc" in renewed:
                if self._apart or now != self._temperatures:
                    self._look_at_temperatures(at, now)
                self._temperatures_at = at
            if amps is not None and not -self._most_a <= amps <= self._most_a:
                words = f"a current of {amps:.0f} A, above three times what the pack may carry"
                self._find("current", at, words)
        if at >= self._lapse_at:
            self._lapse(at)
        what = self._what if sample.measured_at else None
        if what is not self._written:
            figures["telemetry_implausible"] = bool(self._found) if what is not None else None
            figures["telemetry_implausible_what"] = self._written = what

    def _find(self, kind: str, at: float, words: str) -> None:
        began = self._found.get(kind)
        self._found[kind] = (at + HOLD_S, words if began is None else began[1])
        self._gather()

    def _lapse(self, at: float) -> None:
        self._found = {kind: entry for kind, entry in self._found.items() if entry[0] > at}
        self._gather()

    def _gather(self) -> None:
        self._lapse_at = min((until for until, _ in self._found.values()), default=float("inf"))
        self._what = "; ".join(words for _, words in self._found.values()) or "none"

    def _look_at_volts(self, sample: Sample, cells: tuple[float, ...], figures: Figures) -> None:
        at, volts = sample.at, sample.voltage_v
        high, low, mean_v = _OF_CELLS(figures)
        if "cell_v" in sample.renewed:
            spread_v = high - low
            # A cell's distance from the median is within the spread, then and now.
            if spread_v + self._spread_v > STEP_V and at - self._set_at <= WITHIN_S:
                self._look_at_steps(sample, cells)
            if high > HIGHEST_V or low < LOWEST_V:
                self._find_range(at, cells, high if high > HIGHEST_V else low)
            self._cells, self._set_at, self._spread_v = cells, at, spread_v
            self._amps = sample.current_a
        if volts is not None:
            total_v = mean_v * len(cells)
            if -SUM_LEAST_V <= total_v - volts <= SUM_LEAST_V:
                self._times = 0
            else:
                self._look_at_sum(sample, volts, total_v)

    def _find_range(self, at: float, cells: tuple[float, ...], volts: float) -> None:
        words = f"cell {cells.index(volts) + 1} at {volts:.2f} V, outside 1.5 to 4.5 V"
        self._find("cell range", at, words)

    def _look_at_steps(self, sample: Sample, cells: tuple[float, ...]) -> None:
        before, was, amps = self._cells, self._amps, sample.current_a
        if before is None or was is None or amps is None or len(before) != len(cells):
            return
        interval_s, moved_v = sample.at - self._set_at, median(cells) - median(before)
        pairs = zip(cells, before, strict=True)
        moves = [(v - w - moved_v, v, w, no) for no, (v, w) in enumerate(pairs, 1)]
        step_v, volts, volts_before, no = max(moves, key=lambda move: abs(move[0]))
        part = max(abs(amps), abs(was)) * interval_s / 3600.0 / self._nameplate_ah
        limit_v = STEP_V + PATH_OHM * abs(amps - was) + STEEPEST_V * part
        if abs(step_v) > limit_v and max(volts, volts_before) > STEEP_ABOVE_V:
            words = f"cell {no} went from {volts_before:.3f} to {volts:.3f} V in {interval_s:.0f} s"
            self._find("cell step", sample.at, words)

    def _look_at_sum(self, sample: Sample, volts: float, total_v: float) -> None:
        at, over_v = sample.at, total_v - volts
        limit_v = max(SUM_LEAST_V, SUM_PART * volts) + WIRING_OHM * abs(sample.current_a or 0.0)
        times = sample.measured_at
        if abs(times["cell_v"] - times["voltage_v"]) > self._parts_within_s:
            return
        side = 1 if over_v > 0.0 else -1
        if abs(over_v) <= limit_v or (self._times and side != self._side):
            self._times = 0
            return
        if self._times == 0:
            self._side, self._side_since = side, at
        self._times += 1
        if self._times >= SUM_TIMES and at - self._side_since >= SUM_LASTING_S:
            words = f"the cells sum to {total_v:.2f} V where the pack reports {volts:.2f} V"
            self._find("sum", at, words)

    def _look_at_temperatures(self, at: float, now: tuple[float, ...]) -> None:
        before = self._temperatures
        if now != before:
            if len(now) == len(before) and at - self._temperatures_at <= WITHIN_S:
                for no, (degc, was) in enumerate(zip(now, before, strict=True), 1):
                    if not -JUMP_K <= degc - was <= JUMP_K:
                        words = f"temperature sensor {no} jumped from {was:.0f} to {degc:.0f} °C"
                        self._find("temperature jump", at, words)
            self._temperatures, self._apart = now, max(now) - min(now) > APART_K
        if self._apart:
            words = f"temperature sensors read {min(now):.0f} to {max(now):.0f} °C at once"
            self._find("temperatures apart", at, words)
