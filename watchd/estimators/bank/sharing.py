"""How the packs on one bus share the current, against their capacity and against their own past.

Packs in parallel share by conductance at first and by capacity over hours (Weng, Pannala, Siegel,
Stefanopoulou, arXiv:2211.04961). On the flat part of the curve the hours are many, and unequal
currents are normal: so the share is one of a day, and its measure is the pack's own past.

Each pack takes the mean of its current over each minute, from the charge counted by `charge`, and
puts it on the bus. A minute is looked at when the next is over too, so that the packs may report in
any order; where a pack's current is not known, or its telemetry is frozen, the minute says nothing
of the shares, and nothing of whether others should carry.

- Share: charge that the pack moved in the direction of the bank, over that of the bank, in minutes
  in which the bank was not at rest. A sensor's offset adds in charge and takes in discharge.
- Usual share: the same with a memory of `USUAL_D`; known after a week of minutes.
- Carries: no, once the others carried more than `CARRIED` of their capacity together in `IDLE_MIN`
  minutes, and this pack in none of them, nor between, more than its sensor can tell. A pack at the
  top of its charge rightly takes little: that is not known, as when nobody carries.
- Circulating: at rest of the bank, the pack's current less its part of what little there is.

A bank of one pack has all of it. Figures are renewed once a minute.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from typing import Any

from watchd.estimators.charging.count import Count, saved_count
from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, yes_no
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number("share_pct", "pct", "part of the bank's charge that this pack moved, over 24 hours"),
    number(
        "share_expected_pct", "pct", "its part of the bank's nameplate capacity", within=(0, 100)
    ),
    number("share_usual_pct", "pct", "its usual part, over some weeks; unknown in the first"),
    yes_no("carries", "whether the pack carries current while the others do; unknown at rest"),
    number("circulating_a", "a", "current between this pack and the others, while the bank rests"),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}
MINUTE_S = 60.0
HOURS = 24
DAY_MIN = 1200  # minutes seen before a share of 24 hours is told
LEAST_MIN = 120  # minutes with current in a day; fewer tell of that load only
LEAST_MOVED = 0.02  # of the bank's capacity, likewise
USUAL_D = 21.0
WEEK_MIN = 7 * 1440
# Common practice, no source.
CARRIED = 0.05
REST = 0.01
SENSOR_A, SENSOR_C_RATE = 0.6, 0.005
IDLE_MIN = 15
_FORGET = math.exp(-1.0 / (24.0 * USUAL_D))  # an hour


class Sharing:
    """Holds one pack against the others on its bus. Works once a minute."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        self._name, self._bus = setting.name, setting.bus
        self._nameplate_ah = setting.nameplate_ah
        self._knee_v = setting.profile.upper_knee_v
        self._sensor_a = max(SENSOR_A, SENSOR_C_RATE * setting.nameplate_ah)
        known = saved or {}
        self._figures: Figures = {**_UNKNOWN, **known.get("figures", {})}
        # The minute that runs; where the count stood at its first look, and when that was.
        self._minute: int | None = known.get("minute")
        self._from = self._to = 0.0  # its ends, once its figures are written
        self._began = saved_count(known.get("began"))
        self._began_at: float = known.get("began_at", 0.0)
        self._part: float | None = known.get("part")  # of the bank's nameplate capacity
        # For each hour: its number, minutes, charge (A min) of the pack, of the bank.
        self._hours: deque[list[float]] = deque((list(h) for h in known.get("hours", ())), HOURS)
        self._past = _sums(self._hours)
        self._usual: list[float] = list(known.get("usual", (0.0, 0.0)))
        self._seen_min: int = known.get("seen_min", 0)
        self._idle_min: int = known.get("idle_min", 0)
        self._bus.nameplate_ah[self._name] = self._nameplate_ah
        # Of minutes that are told from each other, what was seen before a restart still holds.
        self._bus.minutes[self._name] = {int(m): a for m, a in known.get("means", ())}

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "figures": dict(self._figures),
            "minute": self._minute,
            "began": list(self._began) if self._began else None,
            "began_at": self._began_at,
            "part": self._part,
            "hours": [list(h) for h in self._hours],
            "usual": list(self._usual),
            "seen_min": self._seen_min,
            "idle_min": self._idle_min,
            "means": [[m, a] for m, a in self._bus.minutes[self._name].items()],
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`, from those of `extremes`, `charge` and `full`."""
        at = sample.at
        if self._from <= at < self._to:
            return
        minute = int(at // MINUTE_S)
        if minute != self._minute:
            self._turn(at, minute, figures)
        self._from, self._to = minute * MINUTE_S, (minute + 1) * MINUTE_S
        figures.update(self._figures)

    def _turn(self, at: float, minute: int, figures: Figures) -> None:
        """The minute before is over: put its mean on the bus, and look at the one before it."""
        before, began = self._minute, self._began
        self._minute = minute
        began_at, self._began_at = self._began_at, at
        self._began = Count.of(figures)
        mean: float | None = None
        if began is not None and before == minute - 1 and at > began_at:
            net_ah = self._began.net_since(began)
            # A bridge that repeats itself says nothing of what flows, nor of what others should.
            if net_ah is not None and figures.get("telemetry_frozen") is not True:
                mean = net_ah * 3600.0 / (at - began_at)
        means = self._bus.minutes[self._name]
        means[minute - 1] = mean
        if len(means) > 3:
            for old in [m for m in means if m < minute - 2]:
                del means[old]
        self._look(minute - 2, figures)

    def _look(self, minute: int, figures: Figures) -> None:
        bus = self._bus
        whole_ah = sum(bus.nameplate_ah.values(), 0.0)
        part = self._nameplate_ah / whole_ah
        if part != self._part:
            self._begin_anew(part)
        known = self._figures
        own = bus.minutes[self._name].get(minute)
        others_a, all_known = 0.0, True
        for name, means in bus.minutes.items():
            if name != self._name:
                amps = means.get(minute)
                if amps is None:
                    all_known = False
                else:
                    others_a += amps
        known["carries"] = self._carries(own, others_a, whole_ah - self._nameplate_ah, figures)
        known["circulating_a"] = None
        if own is not None and all_known:
            total = own + others_a
            if abs(total) < REST * whole_ah:
                known["circulating_a"] = own - total * part
                self._count(minute, 0.0, 0.0)
            else:
                self._count(minute, math.copysign(own, own * total), abs(total))
        self._share(minute, whole_ah)

    def _begin_anew(self, part: float) -> None:
        """Another bank: a pack has come or gone, or its size was mended. Its past tells nothing."""
        self._part, self._usual, self._seen_min = part, [0.0, 0.0], 0
        self._hours.clear()
        self._past = [0.0, 0.0, 0.0]
        self._figures = {**_UNKNOWN, "share_expected_pct": 100.0 * part}

    def _count(self, minute: int, own: float, total: float) -> None:
        self._seen_min = min(self._seen_min + 1, WEEK_MIN)
        if total == 0.0:
            return
        hour = minute // 60
        if not self._hours or self._hours[-1][0] != hour:
            self._hours.append([float(hour), 0.0, 0.0, 0.0])
            self._past = _sums(self._hours)
            self._usual = [sums * _FORGET for sums in self._usual]
        self._usual[0] += own
        self._usual[1] += total
        last = self._hours[-1]
        last[1] += 1.0
        last[2] += own
        last[3] += total

    def _share(self, minute: int, whole_ah: float) -> None:
        known, hours = self._figures, self._hours
        while hours and hours[0][0] <= minute // 60 - HOURS:
            hours.popleft()
            self._past = _sums(hours)
        if not hours:
            known["share_pct"] = None
            return
        (minutes, own, total), last = self._past, hours[-1]
        minutes, own, total = minutes + last[1], own + last[2], total + last[3]
        enough = minutes >= LEAST_MIN and total >= 60.0 * LEAST_MOVED * whole_ah
        enough = enough and self._seen_min >= DAY_MIN
        known["share_pct"] = 100.0 * own / total if enough else None
        week = self._seen_min >= WEEK_MIN and self._usual[1] > 0
        known["share_usual_pct"] = 100.0 * self._usual[0] / self._usual[1] if week else None

    def _carries(
        self, own: float | None, others_a: float, others_ah: float, figures: Figures
    ) -> bool | None:
        if own is None or others_ah <= 0:
            return None
        carries = abs(own) >= self._sensor_a
        if carries:
            self._idle_min = 0
        if abs(others_a) <= CARRIED * others_ah:
            return None
        high = figures["cell_max_v"]
        topped = isinstance(high, float) and high >= self._knee_v
        if not carries and others_a > 0 and (topped or figures["charge_state"] == "FULL"):
            return None
        if carries:
            return True
        self._idle_min = min(self._idle_min + 1, IDLE_MIN)
        return False if self._idle_min == IDLE_MIN else None


def _sums(hours: Iterable[list[float]]) -> list[float]:
    """Minutes and charges of all hours but the one that runs."""
    return [sum(h[i] for h in list(hours)[:-1]) for i in (1, 2, 3)]
