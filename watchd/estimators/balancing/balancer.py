"""Whether the balancer copes: the trend of the spread at full, and of the imbalance, over the days.

One point a day, from the last time that the pack was full in it: spread at full, imbalance in Ah
where `imbalance` knows it. Their slopes (`trend`) with interval and test decide:

- rising or falling: the test says so at `SURE_P`, and the slope has a size that matters;
- flat: the whole interval is within sizes that do not matter. A spread is not called flat while
  the lowest cell of the full pack is still on the flat part of the curve: it shows nothing there.
- else it is too early to say; also when spread and imbalance contradict each other.

A spread of `SMALL_MV` or less is balanced: holding, unless it may be wide in some days. A wide one
that rises: not coping, that falls: closing, that is flat: holding.

What the balancer can move is its current times the hours a day in which a cell was above its start
voltage; what it needs to move is what it did, as far as there was a spread then, plus the growth of
the imbalance. Needs must be less than it can (Andrea, Battery Management Systems for Large
Lithium-Ion Battery Packs, 2010; from memory). Figures change once a day and stand until the next;
they are withheld for fewer than `LEAST` days, and without a full pack there is no verdict.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, replace
from statistics import median
from typing import Any

from watchd.estimators.balancing.days import KEPT, Day, packed, unpacked
from watchd.estimators.balancing.trend import Slope, likeness, mann_kendall, theil_sen
from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, text
from watchd.telemetry.sample import Sample

CLOSING, HOLDING, NOT_COPING, TOO_EARLY = "closing", "holding", "not coping", "too early to say"
VERDICTS = (CLOSING, HOLDING, NOT_COPING, TOO_EARLY)

FIGURES: tuple[Figure, ...] = (
    text("balancer_verdict", "what the spread at full does, day by day", VERDICTS),
    number("spread_slope_mv", "mv", "slope of the spread at full, in mV a day"),
    number("spread_slope_low_mv", "mv", "low end of its 95 % interval, in mV a day"),
    number("spread_slope_high_mv", "mv", "high end of its 95 % interval, in mV a day"),
    number(
        "balancer_can_move_ah", "ah", "charge a day that the balancer can move", within=(0, None)
    ),
    number(
        "balancer_needed_ah",
        "ah",
        "charge a day that it must move to hold the balance",
        within=(0, None),
    ),
    number(
        "days_to_balanced_d",
        "d",
        "days until the cells are balanced, while closing",
        within=(0, None),
    ),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}
DAY_S = 86400.0
OLDEST_S = 60 * DAY_S
SAME_DAY_S = 16 * 3600.0  # from the first full of a day to the last: the sun's, not the calendar's
LEAST = 6  # points: with fewer, no order of them is sure
RECENT = 7  # points that must not deny a trend of all
AVERAGED = 7  # points over which hours are averaged
SURE_P = 0.01
# Common practice, no source: so far apart, cells at the top of charge are balanced.
SMALL_MV = 15.0
WORKS_FROM_MV = 5.0  # a balancer does nothing about less
SOON_D = 10.0
# A trend matters from so much a day on (6 mV or 0.3 % of capacity in a month), and only once it has
# changed so much in all: days that are alike make less than that by chance.
MATTERS_MV, CHANGE_MV = 0.2, 5.0
MATTERS_C, CHANGE_C = 1e-4, 1.5e-3
# Where so many of the pairs of at least `CLEAR_FROM` points agree, likeness cannot be the reason:
# what a bend leaves beside the line would be taken for it.
CLEAR, CLEAR_FROM = 0.8, 8


@dataclass(frozen=True, slots=True)
class Trend:
    """Of a series: its slope a day, and +1 rising, -1 falling, 0 flat, None not sure."""

    slope: Slope
    way: int | None


def trend(points: list[tuple[float, float]], matters: float, change: float) -> Trend | None:
    """Trend of (days, value) in order of time, against a slope and a change that matter."""
    n = len(points)
    if n < LEAST:
        return None
    days, values = [d for d, _ in points], [v for _, v in points]
    clear = n >= CLEAR_FROM and abs(mann_kendall(values).s) >= CLEAR * n * (n - 1) / 2
    alike = 1.0 if clear else likeness(days, values)
    slope = theil_sen(days, values, alike)
    recent = theil_sen(days[-RECENT:], values[-RECENT:])
    if slope is None or recent is None:
        return None
    sure = mann_kendall(values, alike).p < SURE_P
    large = abs(slope.slope) >= max(matters, change / (days[-1] - days[0]))
    way: int | None = None
    if sure and large and slope.low > 0:
        way = 1 if recent.high >= matters else None
    elif sure and large and slope.high < 0:
        way = -1 if recent.low <= -matters else None
    elif -1.5 * matters <= slope.low and slope.high <= 1.5 * matters:
        way = 0
    return Trend(slope, way)


class Balancer:
    """Keeps a month of fulls; computes at most a few times a day, when the pack leaves full."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        balancer = setting.pack.balancer
        self._knee_v = setting.profile.upper_knee_v
        self._from_v = balancer.from_v if balancer else self._knee_v
        self._amps = balancer.current_a if balancer else None
        nameplate_ah = setting.nameplate_ah
        self._matters_ah = (MATTERS_C * nameplate_ah, CHANGE_C * nameplate_ah)
        self._longest_gap_s = setting.longest_gap_s
        known = saved or {}
        self._figures: Figures = {**_UNKNOWN, **known.get("figures", {})}
        self._packed = packed([Day(*f) for f in known.get("fulls", ())])
        self._full_since: float | None = known.get("full_since")
        self._low_v: float | None = known.get("low_v")  # lowest cell while full was met
        # In the window since: whether the balancer works. None: not in it.
        self._window: tuple[float, bool] | None = (
            tuple(known["window"]) if known.get("window") else None
        )
        self._window_s: float = known.get("window_s", 0.0)
        self._worked_s: float = known.get("worked_s", 0.0)
        self._watched_from_h: float | None = known.get("watched_from_h")
        self._imbalance_ah: float | None = known.get("imbalance_ah")  # taken last
        self._told: Figures | None = None  # where the figures stand
        if self._figures["balancer_verdict"] is None:
            self._figures["balancer_verdict"] = TOO_EARLY

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "figures": dict(self._figures),
            "fulls": [list(astuple(full)) for full in unpacked(self._packed)],
            "full_since": self._full_since,
            "low_v": self._low_v,
            "window": list(self._window) if self._window else None,
            "window_s": self._window_s,
            "worked_s": self._worked_s,
            "watched_from_h": self._watched_from_h,
            "imbalance_ah": self._imbalance_ah,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`, from `extremes`, `charge`, `full`, `absorption`, `imbalance`."""
        high = figures["cell_max_v"]
        if self._window is not None or (isinstance(high, float) and high >= self._from_v):
            self._count_window(sample, high, figures["cell_spread_mv"])
        if self._full_since is not None or figures["charge_state"] == "FULL":
            self._follow_full(sample.at, figures)
        if self._watched_from_h is None:
            self._watched_from_h = _number(figures["counted_h"])
        if figures is not self._told:
            figures.update(self._figures)
            self._told = figures

    def _count_window(self, sample: Sample, high: object, spread: object) -> None:
        at, before = sample.at, self._window
        if before is not None:
            held_s = min(at - before[0], self._longest_gap_s)
            self._window_s += held_s
            self._worked_s += held_s if before[1] else 0.0
        if not isinstance(high, float) or high < self._from_v:
            self._window = None
            return
        # A BMS that tells knows best whether it balances.
        works = sample.balancing
        if works is None:
            works = isinstance(spread, float) and spread >= WORKS_FROM_MV
        self._window = (at, works)

    def _follow_full(self, at: float, figures: Figures) -> None:
        state = figures["charge_state"]
        if state is None:
            return
        if figures["since_full_h"] == 0.0:
            self._low_v = _number(figures["cell_min_v"])
        if self._full_since is None:
            self._full_since = at
        elif state != "FULL":
            self._full_since = None
            self._take(at, figures)
        elif at - self._full_since >= DAY_S:  # a pack that stays full has days too
            self._full_since = at
            self._take(at, figures)

    def _take(self, at: float, figures: Figures) -> None:
        spread, since_h = _number(figures["spread_at_full_mv"]), _number(figures["since_full_h"])
        counted_h = _number(figures["counted_h"])
        if spread is None or since_h is None or since_h > 24.0 or counted_h is None:
            return
        imbalance = _number(figures.get("imbalance_ah"))
        if imbalance == self._imbalance_ah:
            imbalance = None  # of the day before
        else:
            self._imbalance_ah = imbalance
        point = Day(
            began=at,
            at=at,
            spread_mv=spread,
            imbalance_ah=abs(imbalance) if imbalance is not None else None,
            steep=self._low_v is not None and self._low_v >= self._knee_v,
            window_h=self._window_s / 3600.0,
            worked_h=self._worked_s / 3600.0,
            watched_h=counted_h - (self._watched_from_h or 0.0),
        )
        self._window_s = self._worked_s = 0.0
        self._watched_from_h = counted_h
        fulls = unpacked(self._packed)
        if fulls and at - fulls[-1].began < SAME_DAY_S:
            old = fulls.pop()
            point = replace(
                point,
                began=old.began,
                window_h=point.window_h + old.window_h,
                worked_h=point.worked_h + old.worked_h,
                watched_h=point.watched_h + old.watched_h,
            )
        fulls.append(point)
        while fulls[0].at < at - OLDEST_S:
            fulls.pop(0)
        self._packed = packed(fulls)
        self._judge(fulls[-KEPT:])

    def _judge(self, fulls: list[Day]) -> None:
        last, self._told = fulls[-1], None
        spreads = [((f.at - last.at) / DAY_S, f.spread_mv) for f in fulls]
        spread = trend(spreads, MATTERS_MV, CHANGE_MV)
        charges = [
            ((f.at - last.at) / DAY_S, f.imbalance_ah) for f in fulls if f.imbalance_ah is not None
        ]
        charge = trend(charges, *self._matters_ah)
        level_mv = median(f.spread_mv for f in fulls[-3:])
        known = self._figures
        known["balancer_verdict"] = verdict = _verdict(
            level_mv, spread, charge, steep=all(f.steep for f in fulls[-RECENT:])
        )
        slope = spread.slope if spread is not None else None
        known["spread_slope_mv"] = slope.slope if slope else None
        known["spread_slope_low_mv"] = slope.low if slope else None
        known["spread_slope_high_mv"] = slope.high if slope else None
        self._size(fulls[-AVERAGED:], charge)
        known["days_to_balanced_d"] = None
        if verdict == CLOSING:
            if charge is not None and charge.way == -1:
                known["days_to_balanced_d"] = max(0.0, charges[-1][1] / -charge.slope.slope)
            elif slope is not None and slope.slope < 0:
                known["days_to_balanced_d"] = max(0.0, (level_mv - SMALL_MV) / -slope.slope)

    def _size(self, recent: list[Day], charge: Trend | None) -> None:
        """Ah a day that the balancer can move, and that it must."""
        known = self._figures
        known["balancer_can_move_ah"] = known["balancer_needed_ah"] = None
        watched_d = sum(f.watched_h for f in recent) / 24.0
        if self._amps is None or watched_d < 1.0:
            return
        known["balancer_can_move_ah"] = self._amps * sum(f.window_h for f in recent) / watched_d
        if charge is not None:
            moved_ah = self._amps * sum(f.worked_h for f in recent) / watched_d
            known["balancer_needed_ah"] = max(0.0, moved_ah + charge.slope.slope)


def _verdict(level_mv: float, spread: Trend | None, charge: Trend | None, *, steep: bool) -> str:
    if spread is None:
        return TOO_EARLY
    if level_mv <= SMALL_MV:
        soon_mv = level_mv + SOON_D * spread.slope.high
        return HOLDING if soon_mv <= 2 * SMALL_MV else TOO_EARLY
    ways = {spread.way if spread.way != 0 or steep else None, charge.way if charge else None}
    if {1, -1} <= ways:
        return TOO_EARLY
    for way, word in ((1, NOT_COPING), (-1, CLOSING), (0, HOLDING)):
        if way in ways:
            return word
    return TOO_EARLY


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
