"""What the current sensor shows when nothing flows, and the charge that cells do not give back.

At the end of one full charge and at the end of the next a pack holds the same charge, so what was
counted between them is the sensor's offset times the time and the loss times the charge that went
in, but for how unequally full it was at the two ends:

    net Ah = offset * h + loss * Ah in + e_now - e_before

Each such closure updates the belief about offset, loss and e (a Kalman filter of three states, so
that the error of one end is not taken twice). The offset may drift (`DRIFT_A_PER_ROOT_DAY`). A
closure with a hole in the count tells nothing; one further off than `GATE` sigmas is not believed,
but the belief is given up if it did not rest on a closure, or if `TURNS` in a row speak against it.
On the first day, while the belief is vaguer than that, the current that is left when a full pack is
held at its voltage (`settled`) tells the offset too.
Prior: offset 0 +- 0.3 A; loss 0.3 +- 0.3 % (a coulombic efficiency of LFP near 99.7 %: common
practice, no source). Charge current is positive, and so is an offset that shows charge.
The offset is withheld until something told of it, the efficiency until one closure was seen.
Work at the end of a full charge only, and near the top of the curve.
"""

from __future__ import annotations

from math import hypot, sqrt
from typing import Any, NamedTuple

from watchd.estimators.charging.count import Count, saved_count
from watchd.estimators.estimator import Setting
from watchd.estimators.soc.settled import Settled
from watchd.figures import Figure, Figures, number
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number("current_offset_a", "a", "current that the BMS reports when none flows, as learned"),
    number("current_offset_sigma_a", "a", "standard error of current_offset_a"),
    number("charge_efficiency_pct", "pct", "charge given back of charge taken in, as learned"),
    number("charge_efficiency_sigma_pct", "pct", "standard error of charge_efficiency_pct"),
)

PRIOR_OFFSET_SIGMA_A = 0.3
PRIOR_LOSS = 0.003
PRIOR_LOSS_SIGMA = 0.003
DRIFT_A_PER_ROOT_DAY = 0.02
GATE = 4.0
TURNS = 3
# How equal the ends of two full charges are, as a part of capacity; ours.
EQUAL_FULL = 0.003
# A current at the end of the absorption that would die away in this time was still to come; ours.
TAIL_H = 1 / 8
# Loads that switch between two samples, as a part of capacity for each root of an hour; ours.
COUNT_NOISE = 0.0003

Matrix = list[list[float]]


class Learned(NamedTuple):
    """What is known of the sensor now; the prior where nothing is."""

    offset_a: float
    offset_sigma_a: float
    loss: float
    loss_sigma: float

    @classmethod
    def of(cls, figures: Figures) -> Learned:
        """From `FIGURES` as they are written."""
        offset_a, sigma_a = figures["current_offset_a"], figures["current_offset_sigma_a"]
        kept_pct, kept_sigma = (
            figures["charge_efficiency_pct"],
            figures["charge_efficiency_sigma_pct"],
        )
        if not isinstance(offset_a, float) or not isinstance(sigma_a, float):
            offset_a, sigma_a = 0.0, PRIOR_OFFSET_SIGMA_A
        if not isinstance(kept_pct, float) or not isinstance(kept_sigma, float):
            return cls(offset_a, sigma_a, PRIOR_LOSS, PRIOR_LOSS_SIGMA)
        return cls(offset_a, sigma_a, 1 - kept_pct / 100, kept_sigma / 100)

    def corrected(self, counted: Count) -> tuple[float, float]:
        """The charge that the pack gained in truth, in Ah, and the sigma of the correction.

        Offset and loss are learned from the same closures, so that their errors pull in opposite
        directions; taken as independent they make the sigma a little too wide.
        """
        moved_ah = (
            counted.net_ah - self.offset_a * counted.counted_h - self.loss * counted.charged_ah
        )
        sigma_ah = hypot(
            self.offset_sigma_a * counted.counted_h, self.loss_sigma * counted.charged_ah
        )
        return moved_ah, sigma_ah


PRIOR = Learned(0.0, PRIOR_OFFSET_SIGMA_A, PRIOR_LOSS, PRIOR_LOSS_SIGMA)


class Offset:
    """Learns from closures between the ends of full charges."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._nameplate_ah = setting.nameplate_ah
        # Offset (A), loss, how much fuller than usual the pack was at `_mark` (Ah).
        self._mean: list[float] = list(known.get("mean", (0.0, PRIOR_LOSS, 0.0)))
        self._spread: Matrix = [list(row) for row in known.get("spread", _prior())]
        self._mark = saved_count(known.get("mark"))
        # The last moment of a full charge that may still go on, and the current then.
        self._end = saved_count(known.get("end"))
        self._end_a: float = known.get("end_a", 0.0)
        self._has_told: bool = known.get("told", False)
        self._closures: int = known.get("closures", 0)
        self._refused: int = known.get("refused", 0)
        self._settled = Settled(setting, known.get("settled"))
        self._figures: Figures = {}
        self._told: Figures | None = None  # where they stand
        self._write()

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "mean": list(self._mean),
            "spread": [list(row) for row in self._spread],
            "mark": list(self._mark) if self._mark else None,
            "end": list(self._end) if self._end else None,
            "end_a": self._end_a,
            "told": self._has_told,
            "closures": self._closures,
            "refused": self._refused,
            "settled": self._settled.snapshot(),
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        state = figures["charge_state"]
        if state == "FULL":
            if figures["since_full_h"] == 0 and sample.current_a is not None:
                self._end, self._end_a = Count.of(figures), sample.current_a
        elif self._end is not None and state is not None:
            self._full_ended(self._end)
            self._end = None
        if (seen := self._settled.update(figures)) is not None:
            self._take_settled(*seen)
        if figures is not self._told:
            figures.update(self._figures)
            self._told = figures

    def _take_settled(self, shown_a: float, sigma_a: float) -> None:
        """What is left each day errs alike each day: it only helps while little is known."""
        vague = self._spread[0][0]
        if sigma_a**2 >= vague:
            return
        total = vague + sigma_a**2
        off_a = shown_a - self._mean[0]
        if off_a**2 > GATE**2 * total:
            return
        self._learn([line[0] for line in self._spread], off_a, total)
        self._has_told = True
        self._write()

    def _full_ended(self, end: Count) -> None:
        still_to_come_ah = TAIL_H * max(0.0, self._end_a - self._mean[0])
        unequal_ah = hypot(EQUAL_FULL * self._nameplate_ah, still_to_come_ah)
        counted = end.since(self._mark) if self._mark is not None else None
        if counted is None or counted.has_hole or not self._close(counted, unequal_ah):
            self._forget_end(unequal_ah)
        self._mark = end
        self._write()

    def _close(self, counted: Count, unequal_ah: float) -> bool:
        """Learn from a closure; whether it was believed."""
        hours, into_ah = counted.counted_h, counted.charged_ah
        self._spread[0][0] += DRIFT_A_PER_ROOT_DAY**2 * hours / 24
        row = (hours, into_ah, -1.0)
        gain = [sum(p * h for p, h in zip(line, row, strict=True)) for line in self._spread]
        noise_ah = COUNT_NOISE * self._nameplate_ah * sqrt(hours)
        total = sum(h * g for h, g in zip(row, gain, strict=True)) + unequal_ah**2 + noise_ah**2
        off_ah = counted.net_ah - sum(h * m for h, m in zip(row, self._mean, strict=True))
        if off_ah**2 > GATE**2 * total:
            return self._refuse(counted, unequal_ah)
        self._has_told, self._refused, self._closures = True, 0, self._closures + 1
        # The new end takes the place of the old one: its own error is the third state now.
        self._forget_end(unequal_ah)
        gain[2] = unequal_ah**2
        self._learn(gain, off_ah, total)
        return True

    def _learn(self, gain: list[float], off: float, total: float) -> None:
        """Kalman's update: `gain` is covariance with what was off, `total` the variance of that."""
        self._mean = [m + g * off / total for m, g in zip(self._mean, gain, strict=True)]
        self._spread = [
            [p - gain[i] * gain[j] / total for j, p in enumerate(line)]
            for i, line in enumerate(self._spread)
        ]

    def _refuse(self, counted: Count, unequal_ah: float) -> bool:
        self._refused += 1
        if self._closures and self._refused < TURNS:
            return False
        # What was believed is wrong, whether it came of a settled current or of another sensor.
        believed, self._has_told, self._closures, self._refused = self._has_told, False, 0, 0
        end = self._spread[2][2]
        self._mean, self._spread = [0.0, PRIOR_LOSS, 0.0], _prior()
        self._spread[2][2] = end
        return believed and self._close(counted, unequal_ah)

    def _forget_end(self, unequal_ah: float) -> None:
        self._mean[2] = 0.0
        for state in range(2):
            self._spread[state][2] = self._spread[2][state] = 0.0
        self._spread[2][2] = unequal_ah**2

    def _write(self) -> None:
        told, closed, self._told = self._has_told, self._closures > 0, None
        self._figures = {
            "current_offset_a": self._mean[0] if told else None,
            "current_offset_sigma_a": sqrt(self._spread[0][0]) if told else None,
            "charge_efficiency_pct": 100 * (1 - self._mean[1]) if closed else None,
            "charge_efficiency_sigma_pct": 100 * sqrt(self._spread[1][1]) if closed else None,
        }


def _prior() -> Matrix:
    return [
        [PRIOR_OFFSET_SIGMA_A**2, 0.0, 0.0],
        [0.0, PRIOR_LOSS_SIGMA**2, 0.0],
        [0.0, 0.0, 0.0],
    ]
