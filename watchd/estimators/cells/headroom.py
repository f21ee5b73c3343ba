"""What current each cell still allows: until the first is at its limit within the horizon.

The limit is `margin_v` inside the BMS's threshold (as the config has it, or lower where the BMS
reports it lowered), and never outside what the cell maker allows. A cell's open-circuit voltage is
what it shows less current times the resistance of its path, U = v - R I; from there `end_of_charge`
says what current brings it to the limit (Plett 2004). The lowest current of all cells rules.

- R is what `joints` learnt, with the excess of the worst path, at the temperature of now: cells
  follow 35 kJ/mol (the Chen et al. 2020 set) from the temperature at which it was learnt, a joint
  has none. Where U rises faster than the profile's curve says, as it also does while the surface of
  the particles runs ahead, the curve is made as much steeper; that is learnt from way to way.
- An error of R is benign: what is measured at the present current counts whole, and R only tells
  what a change of current adds.
- `horizon_mohm` is what an A more raises the pack's voltage by within the horizon: resistance and
  slope. By it packs in parallel share a change of current.

All withheld until `resistance_mohm` is known: the advice then goes by a taper. Limits of A are
magnitudes, told up to `MOST_TIMES` what the pack may carry. No source but the formula's; the
rest is ours.
"""

from __future__ import annotations

from math import exp, inf, log
from typing import Any, cast

from watchd.estimators.cells.end_of_charge import LowerEnd, UpperEnd
from watchd.estimators.charging.count import Count
from watchd.estimators.estimator import Setting
from watchd.estimators.soc.anchors import ACTIVATION_K, KELVIN
from watchd.figures import Figure, Figures, Value, number
from watchd.telemetry.names import CELL_NO
from watchd.telemetry.sample import Sample

MOST_TIMES = 1.5
# While all cells are on the flat part, a look a minute will do.
CALM_S, BELOW_KNEE_V = 60.0, 0.03
# No cell has less than its sheet's figure at 1 kHz: 0.20 mOhm at 105 Ah, and others in proportion.
LEAST_OHM_AH = 0.021
# Between two looks at how steep the top is, so much charge flows, as a part of nameplate.
LOOK_AH = 0.001
LOOK_FROM_V = 0.015  # above the flat part
STEADY = 0.15  # part by which the current may differ between them
LEARN = 0.2  # weight of a look
STEEPEST, SHALLOWEST = 4.0, 0.75
REFERENCE_H = 12.0  # over which the temperature counts at which resistance was learnt

FIGURES: tuple[Figure, ...] = (
    number(
        "charge_headroom_a",
        "a",
        "charge current that brings the first cell to its upper limit within the horizon",
        within=(0, None),
        noisy=True,
    ),
    number(
        "charge_headroom_cell_no",
        "",
        "number of that cell, the first is 1",
        within=CELL_NO,
        noisy=True,
    ),
    number(
        "discharge_headroom_a",
        "a",
        "discharge current that brings the first cell to its lower limit within the horizon",
        within=(0, None),
        noisy=True,
    ),
    number(
        "discharge_headroom_cell_no",
        "",
        "number of that cell, the first is 1",
        within=CELL_NO,
        noisy=True,
    ),
    number(
        "horizon_mohm",
        "mohm",
        "rise of the pack's voltage for each A within the horizon",
        within=(0, None),
    ),
    number(
        "top_steepness",
        "",
        "how much steeper than the profile's curve the cells rise at the top, learnt",
        within=(0, None),
    ),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}


class Headroom:
    """Looks at each renewal of cells or current: at the highest, the lowest and the worst path."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        pack, bank, profile = setting.pack, setting.bank, setting.profile
        self._nameplate_ah = setting.nameplate_ah
        self._horizon_h = bank.charge_limit.horizon / 3600.0
        self._most_a = MOST_TIMES * max(pack.max_charge_a, pack.max_discharge_a or 0.0)
        self._least_ohm = LEAST_OHM_AH / setting.nameplate_ah
        self._upper_v = min(pack.bms.overvoltage_v, pack.cell.max_v)
        self._lower_v = max(pack.bms.undervoltage_v, pack.cell.min_v)
        self._upper_margin_v = bank.charge_limit.margin_v
        self._lower_margin_v = bank.discharge_limit.margin_v
        self._flat_v, efold_pct = profile.upper_end.from_v, profile.upper_end.efold_pct
        self._efold = efold_pct / 100.0
        self._lower = LowerEnd(profile.low_end)
        self._steepness: float = known.get("steepness", 1.0)
        self._upper = UpperEnd(self._flat_v, self._efold / self._steepness)
        # The limit for which it was found up to which resistance calm cells bear the most.
        self._ample_limit_v, self._ample_up_ohm = -inf, -inf
        # The last look: cell, rise above the flat part, net charge, current.
        self._look: list[float] | None = known.get("look")
        self._calm_from_v = profile.flat_from_v
        self._calm_to_v = profile.upper_knee_v - BELOW_KNEE_V
        self._least_v = self._lower_v + self._lower_margin_v
        self._ample_down_ohm = self._lower.ample_ohm(
            self._least_v, self._calm_from_v, self._horizon_h, self._nameplate_ah, self._most_a
        )
        self._looked_at: float = known.get("looked_at", 0.0)
        self._learnt_mohm: float | None = known.get("learnt_mohm")
        self._learnt_degc: float | None = known.get("learnt_degc")
        self._learnt_at: float = known.get("learnt_at", 0.0)
        self._figures: Figures = {**_UNKNOWN, **known.get("figures", {})}
        # Between those temperatures, resistance changes by this factor.
        self._warm_degc, self._warm_since_degc, self._warm = inf, inf, 1.0
        self._is_ample = self._bears_the_most()
        self._told: Figures | None = None  # where they stand

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "steepness": self._steepness,
            "look": list(self._look) if self._look else None,
            "looked_at": self._looked_at,
            "learnt_mohm": self._learnt_mohm,
            "learnt_degc": self._learnt_degc,
            "learnt_at": self._learnt_at,
            "figures": dict(self._figures),
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`, from those of `extremes`, `charge` and `joints`."""
        cells, amps, whole_mohm = sample.cell_v, sample.current_a, figures["resistance_mohm"]
        if cells is None or amps is None or not isinstance(whole_mohm, float):
            if self._figures is not _UNKNOWN:
                self._figures, self._told, self._is_ample = _UNKNOWN, None, False
        elif not self._is_calm(sample.at, figures["cell_max_v"], figures["cell_min_v"]) and (
            _has_news(sample.renewed) or self._figures["horizon_mohm"] is None
        ):
            self._learn_temperature(sample, figures, whole_mohm)
            self._figures = self._found(cells, amps, whole_mohm, figures)
            self._is_ample = self._bears_the_most()
            self._looked_at, self._told = sample.at, None
        if figures is not self._told:
            figures.update(self._figures)
            self._told = figures

    def _is_calm(self, at: float, high_v: Value, low_v: Value) -> bool:
        """Whether all was far from its limits a moment ago, and every cell still is."""
        return (
            self._is_ample
            and 0.0 <= at - self._looked_at < CALM_S
            and isinstance(high_v, float)
            and isinstance(low_v, float)
            and high_v < self._calm_to_v
            and low_v > self._calm_from_v
        )

    def _bears_the_most(self) -> bool:
        """Whether at the last look nothing was near its limits."""
        found = self._figures
        return (
            found["horizon_mohm"] is not None
            and found["charge_headroom_a"] == found["discharge_headroom_a"] == self._most_a
        )

    def _learn_temperature(self, sample: Sample, figures: Figures, whole_mohm: float) -> None:
        """Follow the temperature of the blocks from which resistance is learnt."""
        degc = figures["temperature_min_degc"]
        if whole_mohm == self._learnt_mohm or not isinstance(degc, float):
            return
        before, hours = self._learnt_degc, (sample.at - self._learnt_at) / 3600.0
        weight = 1.0 if before is None else min(max(hours, 0.0) / REFERENCE_H, 1.0)
        self._learnt_degc = degc if before is None else before + weight * (degc - before)
        self._learnt_mohm, self._learnt_at = whole_mohm, sample.at

    def _found(
        self, cells: tuple[float, ...], amps: float, whole_mohm: float, figures: Figures
    ) -> Figures:
        excess, joint_no = figures["joint_excess_mohm"], figures["joint_cell_no"]
        joint_ohm = max(excess, 0.0) / 1000.0 if isinstance(excess, float) else 0.0
        joint = joint_no - 1 if isinstance(joint_no, int) and joint_ohm > 0.0 else -1
        ohm = max((whole_mohm / 1000.0 - joint_ohm) / len(cells), self._least_ohm)
        ohm *= self._warmth(figures["temperature_min_degc"])
        drop_v = ohm * amps
        # All cells carry one current: of those with one resistance the highest comes first.
        highest, lowest = _ends(cells, joint, figures)
        high_v = cells[highest] - drop_v
        self._watch(high_v, highest, amps, figures)
        over_v = self._over_v(figures["setting_overvoltage_v"])
        up_a, up = self._up_a(over_v, high_v, ohm, self._most_a), highest
        down_a, down = self._down_a(cells[lowest] - drop_v, ohm), lowest
        if joint >= 0:
            path_v, path_ohm = cells[joint] - drop_v - joint_ohm * amps, ohm + joint_ohm
            # Only whether it bears less is asked, which takes no root to tell that it does not.
            path_a = self._up_a(over_v, path_v, path_ohm, up_a)
            if path_a < up_a:
                up_a, up = path_a, joint
            path_a = self._down_a(path_v, path_ohm)
            if path_a < down_a:
                down_a, down = path_a, joint
        mean_v = cast("float", figures["cell_mean_v"]) - drop_v - joint_ohm * amps / len(cells)
        per_ah = self._upper.slope_v(mean_v) / self._nameplate_ah
        whole = ohm * len(cells) + joint_ohm + per_ah * self._horizon_h * len(cells)
        return {
            "charge_headroom_a": up_a,
            "charge_headroom_cell_no": up + 1,
            "discharge_headroom_a": down_a,
            "discharge_headroom_cell_no": down + 1,
            "horizon_mohm": whole * 1000.0,
            "top_steepness": self._steepness,
        }

    def _over_v(self, reported: object) -> float:
        over_v = min(self._upper_v, reported) if isinstance(reported, float) else self._upper_v
        return over_v - self._upper_margin_v

    def _up_a(self, limit_v: float, open_v: float, ohm: float, at_most_a: float) -> float:
        upper, horizon_h, nameplate_ah = self._upper, self._horizon_h, self._nameplate_ah
        if limit_v != self._ample_limit_v:
            self._ample_limit_v = limit_v
            self._ample_up_ohm = upper.ample_ohm(
                limit_v, self._calm_to_v, horizon_h, nameplate_ah, self._most_a
            )
        if open_v <= self._calm_to_v and ohm <= self._ample_up_ohm:
            return at_most_a
        return upper.most_a(limit_v, open_v, ohm, horizon_h, nameplate_ah, at_most_a)

    def _down_a(self, open_v: float, ohm: float) -> float:
        if open_v >= self._calm_from_v and ohm <= self._ample_down_ohm:
            return self._most_a
        return self._lower.most_a(
            self._least_v, open_v, ohm, self._horizon_h, self._nameplate_ah, self._most_a
        )

    def _warmth(self, degc: object) -> float:
        """Resistance of the cells now over that which was learnt."""
        learnt_degc = self._learnt_degc
        if learnt_degc is None or not isinstance(degc, float):
            return 1.0
        if degc != self._warm_degc or learnt_degc != self._warm_since_degc:
            self._warm_degc, self._warm_since_degc = degc, learnt_degc
            inverse = 1 / (degc + KELVIN) - 1 / (learnt_degc + KELVIN)
            self._warm = exp(ACTIVATION_K * inverse)
        return self._warm

    def _watch(self, open_v: float, cell: int, amps: float, figures: Figures) -> None:
        """Learn how steep the top is, from how the highest cell's voltage grows with charge."""
        rise_v = open_v - self._flat_v
        if rise_v < LOOK_FROM_V or amps <= 0.0:
            self._look = None
            return
        moved_ah = Count.of(figures).net_ah
        before = self._look
        if before is None or before[0] != cell or moved_ah < before[2]:
            self._look = [cell, rise_v, moved_ah, amps]
            return
        grown = (moved_ah - before[2]) / self._nameplate_ah
        if grown < LOOK_AH:
            return
        if abs(amps - before[3]) <= STEADY * before[3]:
            ratio = log(rise_v / before[1]) * self._efold / grown
            ratio = min(max(ratio, SHALLOWEST), STEEPEST)
            self._steepness += LEARN * (ratio - self._steepness)
            self._upper = UpperEnd(self._flat_v, self._efold / self._steepness)
            self._ample_limit_v = -inf
        self._look = [cell, rise_v, moved_ah, amps]


def _has_news(renewed: frozenset[str]) -> bool:
    return "cell_v" in renewed or "current_a" in renewed or "temperature_degc" in renewed


def _ends(cells: tuple[float, ...], joint: int, figures: Figures) -> tuple[int, int]:
    """The highest and the lowest cell but that of the worst path, which is looked at by itself."""
    highest = cast("int", figures["cell_max_no"]) - 1
    lowest = cast("int", figures["cell_min_no"]) - 1
    if joint in (highest, lowest) and len(cells) > 1:
        others = cells[:joint] + cells[joint + 1 :]
        highest, lowest = others.index(max(others)), others.index(min(others))
        return highest + (highest >= joint), lowest + (lowest >= joint)
    return highest, lowest
