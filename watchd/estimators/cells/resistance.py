"""Resistance from voltage against current, while the open-circuit voltage drifts.

Several voltages y_k (mV) that share one current I (A) each follow y_k = a_k + r_k I, with the
open-circuit part a_k moving as charge flows: a Kalman filter of the states a_k, its slope with
charge s_k (mV/Ah) and r_k (mOhm). As the current is common, so are covariance and gain, and a
voltage costs a few multiplications. With no drift it is recursive least squares.

Kalman 1960, J. Basic Eng. 82, 35-45; least squares as its case without drift: Plackett 1950,
Biometrika 37, 149-157 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import Any

CLIP = 4.0  # a residual counts at most as so many of its sigmas (Huber 1964, from memory)
# While what is expected is vaguer than the reading by so many times, no residual is an outlier:
# clipped, it would leave a wrong belief and take its doubt away.
VAGUE = 100.0
MISTAKEN_MOHM = 0.3  # so far off a belief that was wrong may be at least; ours
# A clipped residual counts 2, another takes 1 away; from so much on the belief is wrong, not the
# readings.
TURNS = 48
_MEMORY = 30.0  # measurements over which the size of a channel's residuals is learnt


@dataclass(frozen=True, slots=True)
class Drift:
    """How fast the states may move: variances per hour, and per Ah that flows."""

    open_mv2_per_h: float = 0.0
    open_mv2_per_ah: float = 0.0
    slope_mv2_per_ah3: float = 0.0  # (mV/Ah)^2 for each Ah
    resistance_mohm2_per_h: float = 0.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """Sigmas before anything was measured."""

    open_mv: float = 300.0
    slope_mv_per_ah: float = 1.0
    resistance_mohm: float = 10.0


class ResistanceFilter:
    """Resistances of `channels` voltages that share one current."""

    def __init__(
        self, channels: int, drift: Drift, doubt: Doubt, saved: dict[str, Any] | None = None
    ) -> None:
        known = saved or {}
        self._drift, self._doubt = drift, doubt
        zeros = [0.0] * channels
        self.open_mv: list[float] = list(known.get("open", zeros))
        self._slope: list[float] = list(known.get("slope", zeros))
        self.resistance_mohm: list[float] = list(known.get("resistance", zeros))
        # Covariances: aa, as, ar, ss, sr, rr.
        self._p: tuple[float, float, float, float, float, float] = tuple(
            known.get("p", _doubted(doubt))
        )
        # Mean square of each channel's residuals over what the model expects.
        self._misfit: list[float] = list(known.get("misfit", [1.0] * channels))
        # Of each channel, how often its residuals were clipped lately.
        self._clipped: list[int] = list(known.get("clipped", [0] * channels))

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "open": list(self.open_mv),
            "slope": list(self._slope),
            "resistance": list(self.resistance_mohm),
            "p": list(self._p),
            "misfit": list(self._misfit),
            "clipped": list(self._clipped),
        }

    def sigma_mohm(self, channel: int) -> float:
        """Standard error of a resistance; residuals larger than the model expects widen it."""
        return sqrt(self._p[5] * max(self._misfit[channel], 1.0))

    def forget_open(self) -> None:
        """The open-circuit parts are anew unknown: charge flowed that nobody counted."""
        doubt = self._doubt
        self._p = (doubt.open_mv**2, 0.0, 0.0, doubt.slope_mv_per_ah**2, 0.0, self._p[5])

    def pass_by(self, hours: float, moved_ah: float) -> None:
        """Time passes and charge flows between two measurements."""
        drift, flowed = self._drift, abs(moved_ah)
        aa, a_s, ar, ss, sr, rr = self._p
        self._p = (
            aa
            + moved_ah * (2.0 * a_s + moved_ah * ss)
            + drift.open_mv2_per_h * hours
            + drift.open_mv2_per_ah * flowed,
            a_s + moved_ah * ss,
            ar + moved_ah * sr,
            ss + drift.slope_mv2_per_ah3 * flowed,
            sr,
            rr + drift.resistance_mohm2_per_h * hours,
        )
        if moved_ah:
            self.open_mv = [
                a + s * moved_ah for a, s in zip(self.open_mv, self._slope, strict=True)
            ]

    def measure(self, current_a: float, voltage_mv: list[float], variance_mv2: float) -> None:
        """Take one measurement of all voltages, each with the same variance."""
        aa, a_s, ar, ss, sr, rr = self._p
        # What voltage and each state have in common, and what is expected of the residual.
        ya, ys, yr = aa + current_a * ar, a_s + current_a * sr, ar + current_a * rr
        expected = ya + current_a * yr + variance_mv2
        ga, gs, gr = ya / expected, ys / expected, yr / expected
        vague = expected > VAGUE * variance_mv2
        bound, most = inf if vague else CLIP * sqrt(expected), CLIP * CLIP
        opens, slopes, resistances = self.open_mv, self._slope, self.resistance_mohm
        rests = [
            volts - a - r * current_a
            for volts, a, r in zip(voltage_mv, opens, resistances, strict=True)
        ]
        off_mv = 0.0
        if any(self._clipped) or not (-bound <= min(rests) and max(rests) <= bound):
            off_mv = self._clip(rests, bound)
        # A call of `min` for each would cost more than the line.
        self._misfit = [
            m + ((square if square < most else most) - m) / _MEMORY  # noqa: FURB136
            for m, square in zip(self._misfit, [r * r / expected for r in rests], strict=True)
        ]
        self.open_mv = [a + ga * rest for a, rest in zip(opens, rests, strict=True)]
        self._slope = [s + gs * rest for s, rest in zip(slopes, rests, strict=True)]
        self.resistance_mohm = [r + gr * rest for r, rest in zip(resistances, rests, strict=True)]
        self._p = (
            aa - ga * ya,
            a_s - ga * ys,
            ar - ga * yr,
            ss - gs * ys,
            sr - gs * yr,
            rr - gr * yr,
        )
        if max(self._clipped) >= TURNS:
            self._doubt_again(off_mv / max(abs(current_a), 1.0))

    def _clip(self, rests: list[float], bound: float) -> float:
        """Bring residuals to the bound, and count of each channel how often; the largest beyond."""
        clipped, off_mv = self._clipped, 0.0
        for k, rest in enumerate(rests):
            if -bound <= rest <= bound:
                if clipped[k]:
                    clipped[k] -= 1
            else:
                clipped[k] += 2
                off_mv = max(off_mv, abs(rest))
                rests[k] = bound if rest > 0 else -bound
        return off_mv

    def _doubt_again(self, off_mohm: float) -> None:
        """The open-circuit parts are unknown, and resistances may be off by what a reading is.

        Not as unknown as in the beginning: what was learnt of the other channels is worth days.
        """
        self._clipped = [0] * len(self._clipped)
        self.forget_open()
        self._p = (*self._p[:5], self._p[5] + max(off_mohm, MISTAKEN_MOHM) ** 2)


def _doubted(doubt: Doubt) -> tuple[float, float, float, float, float, float]:
    slope = doubt.slope_mv_per_ah**2
    return (doubt.open_mv**2, 0.0, 0.0, slope, 0.0, doubt.resistance_mohm**2)
