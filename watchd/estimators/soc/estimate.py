"""A state of charge of our own: charge counted from the last anchor, with its error.

    z = z_anchor + (net Ah - offset * h - loss * Ah in) / Q
    var = var_anchor + [(sigma_offset * h)^2 + (sigma_loss * Ah in)^2 + noise^2 * h] / Q^2
          + (net / Q * sigma_Q / Q)^2 + (hole * HOLE_C_RATE)^2

Coulomb counting: Ng et al., Applied Energy 86 (2009) 1506-1511; which errors grow with time and
which with the charge moved: Movassagh et al., Energies 14 (2021) 4074. Offset and loss are those of
`offset`, Q is `capacity_ah`, or the nameplate +- 8 %; in Q is the gain of the sensor, since both
are counted by it. A full charge sets z, for it is what 100 % means; a low anchor is weighed against
the count by their variances (Kalman), once it is the better of the two, and alone where they
contradict each other. Nothing is corrected from the voltage on the flat part of the curve.
While the current is not known anything may flow: the hole widens sigma.
Withheld until the first anchor, and while sigma is over `MOST_SIGMA`.
"""

from __future__ import annotations

from math import sqrt
from typing import Any, NamedTuple, cast

from watchd.estimators.charging.count import Count, saved_count, totals
from watchd.estimators.estimator import Setting
from watchd.estimators.soc.capacity import PRIOR_SIGMA, known_capacity
from watchd.estimators.soc.offset import COUNT_NOISE, PRIOR, Learned
from watchd.figures import Figure, Figures, Value, number
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number(
        "soc_estimate_pct",
        "pct",
        "state of charge by watchd's own count; 100 is full",
        within=(0, 100),
    ),
    number("soc_estimate_sigma_pct", "pct", "standard error of soc_estimate_pct"),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}

MOST_SIGMA = 0.10
# Common practice, no source: an off-grid bank seldom runs above C/7 for long.
HOLE_C_RATE = 0.15
CONTRADICTION = 4.0  # sigmas between an anchor and the count
_NOISE2 = COUNT_NOISE**2


class Believed(NamedTuple):
    """The sensor, the capacity (Ah), and the sigma of the capacity as a part of it."""

    offset_a: float
    offset_sigma_a: float
    loss: float
    loss_sigma: float
    capacity_ah: float
    capacity_ah2: float
    spread: float

    @classmethod
    def by(cls, learned: Learned, capacity_ah: float, sigma_ah: float) -> Believed:
        """From what is learned and a capacity with its sigma."""
        return cls(*learned, capacity_ah, capacity_ah**2, sigma_ah / capacity_ah)


class Soc:
    """Counts from the last anchor; what is learned of the sensor later counts from there too."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._nameplate_ah = setting.nameplate_ah
        # At `_mark` the charge was `_z`: the last anchor, or the last time that it was at an end.
        self._mark = saved_count(known.get("mark"))
        self._z: float = known.get("z", 0.0)
        # The last anchor, and the variance that it left.
        self._anchor = saved_count(known.get("anchor"))
        self._variance: float = known.get("variance", 0.0)
        # The sensor and the capacity as they are believed, and the figures that it was made of.
        self._believed = Believed.by(PRIOR, self._nameplate_ah, PRIOR_SIGMA * self._nameplate_ah)
        self._offset_sigma_a: Value = None
        self._efficiency_sigma_pct: Value = None
        self._capacity_sigma_ah: Value = None

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "mark": list(self._mark) if self._mark else None,
            "z": self._z,
            "anchor": list(self._anchor) if self._anchor else None,
            "variance": self._variance,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        del sample
        anchor = figures["anchor"]
        known = anchor in {"full", "low"}
        if known or self._anchor is not None:
            z, variance = self._counted(figures)
            if known:
                z, variance = self._anchored((z, variance), figures)
            sigma = sqrt(variance)
            if sigma <= MOST_SIGMA:
                figures["soc_estimate_pct"] = 100 * z
                figures["soc_estimate_sigma_pct"] = 100 * sigma
                return
        figures.update(_UNKNOWN)

    def _counted(self, figures: Figures) -> tuple[float, float]:
        """State of charge and its variance by the count; 0 and 1 before the first anchor.

        One function, for it runs with every sample.
        """
        if self._mark is None or self._anchor is None:
            return 0.0, 1.0
        if (
            figures["capacity_sigma_ah"] != self._capacity_sigma_ah
            or figures["current_offset_sigma_a"] != self._offset_sigma_a
            or figures["charge_efficiency_sigma_pct"] != self._efficiency_sigma_pct
        ):
            self._believe(figures)
        offset_a, offset_sigma_a, loss, loss_sigma, capacity_ah, capacity_ah2, spread = (
            self._believed
        )
        charged, discharged, hours, uncounted = totals(figures)
        into, out, since_h, unknown_h = self._anchor
        into_ah, since_h = charged - into, hours - since_h
        moved_ah = into_ah - (discharged - out) - offset_a * since_h - loss * into_ah
        by_ah2 = (
            (offset_sigma_a * since_h) ** 2 + (loss_sigma * into_ah) ** 2 + (spread * moved_ah) ** 2
        )
        by_part2 = _NOISE2 * since_h
        if uncounted != unknown_h:
            by_part2 += (HOLE_C_RATE * (uncounted - unknown_h)) ** 2
        variance = self._variance + by_ah2 / capacity_ah2 + by_part2
        if self._mark is not self._anchor:
            into, out, since_h, _ = self._mark
            into_ah, since_h = charged - into, hours - since_h
            moved_ah = into_ah - (discharged - out) - offset_a * since_h - loss * into_ah
        z = self._z + moved_ah / capacity_ah
        if not 0.0 <= z <= 1.0:
            # No pack holds more: what was counted beyond is error, and is not carried along.
            z = min(max(z, 0.0), 1.0)
            self._mark, self._z = Count.of(figures), z
        return z, variance

    def _believe(self, figures: Figures) -> None:
        """The other figures of the sensor and the capacity change with their errors."""
        capacity_ah, sigma_ah = known_capacity(figures, self._nameplate_ah)
        self._believed = Believed.by(Learned.of(figures), capacity_ah, sigma_ah)
        self._capacity_sigma_ah = figures["capacity_sigma_ah"]
        self._offset_sigma_a = figures["current_offset_sigma_a"]
        self._efficiency_sigma_pct = figures["charge_efficiency_sigma_pct"]

    def _anchored(self, count: tuple[float, float], figures: Figures) -> tuple[float, float]:
        z, variance = count
        full = figures["anchor"] == "full"
        seen = cast("float", figures["anchor_soc_pct"]) / 100
        seen_variance = (cast("float", figures["anchor_sigma_pct"]) / 100) ** 2
        if not full and seen_variance >= variance:
            return count  # an anchor that lasts errs alike all the time: it is not taken again
        together = variance + seen_variance
        if full or self._anchor is None or (seen - z) ** 2 > CONTRADICTION**2 * together:
            z, variance = seen, seen_variance
        else:
            weight = variance / together
            z, variance = z + weight * (seen - z), weight * seen_variance
        self._mark = self._anchor = Count.of(figures)
        self._z, self._variance = z, variance
        return z, variance
