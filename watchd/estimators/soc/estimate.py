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
from typing import Any, cast

from watchd.estimators.charging.count import Count, saved_count
from watchd.estimators.estimator import Setting
from watchd.estimators.soc.capacity import known_capacity
from watchd.estimators.soc.offset import COUNT_NOISE, Learned
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
        self._believed: tuple[Learned, float, float] | None = None
        self._believed_of: tuple[Value, ...] = ()

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
        if self._anchor is None and not known:
            figures.update(_UNKNOWN)
            return
        now = Count.of(figures)
        z, variance = self._counted(now, figures)
        if known:
            soc = cast("float", figures["anchor_soc_pct"]) / 100
            sigma = cast("float", figures["anchor_sigma_pct"]) / 100
            z, variance = self._anchored(now, (z, variance), (soc, sigma**2), full=anchor == "full")
        sigma = sqrt(variance)
        if sigma > MOST_SIGMA:
            figures.update(_UNKNOWN)
            return
        figures["soc_estimate_pct"] = 100 * z
        figures["soc_estimate_sigma_pct"] = 100 * sigma

    def _counted(self, now: Count, figures: Figures) -> tuple[float, float]:
        """State of charge and its variance by the count; 0 and 1 before the first anchor."""
        if self._mark is None or self._anchor is None:
            return 0.0, 1.0
        (offset_a, offset_sigma_a, loss, loss_sigma), capacity_ah, spread = self._belief(figures)
        charged, discharged, hours, uncounted = now
        into, out, since_h, _ = self._mark
        into_ah = charged - into
        moved_ah = into_ah - (discharged - out) - offset_a * (hours - since_h) - loss * into_ah
        z = self._z + moved_ah / capacity_ah
        if not 0.0 <= z <= 1.0:
            # No pack holds more: what was counted beyond is error, and is not carried along.
            z = min(max(z, 0.0), 1.0)
            self._mark, self._z = now, z
        into, out, since_h, unknown_h = self._anchor
        into_ah, since_h, hole_h = charged - into, hours - since_h, uncounted - unknown_h
        moved_ah = into_ah - (discharged - out) - offset_a * since_h - loss * into_ah
        by_ah2 = (
            (offset_sigma_a * since_h) ** 2 + (loss_sigma * into_ah) ** 2 + (spread * moved_ah) ** 2
        )
        by_part2 = COUNT_NOISE**2 * since_h + (HOLE_C_RATE * hole_h) ** 2
        return z, self._variance + by_ah2 / capacity_ah**2 + by_part2

    def _belief(self, figures: Figures) -> tuple[Learned, float, float]:
        """The sensor, the capacity and its sigma as a part of it; made anew when one changes."""
        key = (
            figures["current_offset_sigma_a"],
            figures["charge_efficiency_sigma_pct"],
            figures["capacity_sigma_ah"],
        )
        if key != self._believed_of or self._believed is None:
            capacity_ah, sigma_ah = known_capacity(figures, self._nameplate_ah)
            self._believed = (Learned.of(figures), capacity_ah, sigma_ah / capacity_ah)
            self._believed_of = key
        return self._believed

    def _anchored(
        self, now: Count, count: tuple[float, float], anchor: tuple[float, float], *, full: bool
    ) -> tuple[float, float]:
        z, variance = count
        seen, seen_variance = anchor
        if not full and seen_variance >= variance:
            return count  # an anchor that lasts errs alike all the time: it is not taken again
        together = variance + seen_variance
        if full or self._anchor is None or (seen - z) ** 2 > CONTRADICTION**2 * together:
            z, variance = seen, seen_variance
        else:
            weight = variance / together
            z, variance = z + weight * (seen - z), weight * seen_variance
        self._mark = self._anchor = now
        self._z, self._variance = z, variance
        return z, variance
