"""Charge current and what was suggested, trips above."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from watchd.report.drawings.paper import (
    FIRST,
    INK,
    PAPER,
    SECOND,
    breaks,
    sheet,
    time_axis,
    value_axis,
)
from watchd.report.drawings.svg import mark
from watchd.report.series.current import Current
from watchd.report.span import DAY_S

HEIGHT = 190.0


def draw(current: Current) -> Figure:
    """As it went, or a bar a day."""
    figure, axes = sheet(HEIGHT)
    high = _by_day(axes, current) if current.is_by_day else _as_it_went(axes, current)
    high = max(high, 1.0)
    if current.trips:
        axes.plot(
            [current.span.place(t.begin) for t in current.trips],
            [1.1 * high] * len(current.trips), linestyle="none", marker="v", markersize=5.5,
            markeredgewidth=0, color=INK, gid=mark("trip"), clip_on=False,
        )  # fmt: skip
    value_axis(axes, 0.0, 1.16 * high, "A")
    time_axis(axes, current.span)
    return figure


def _as_it_went(axes: Axes, current: Current) -> float:
    axes.fill_between(
        current.places, breaks(current.current_a), step="mid", color=FIRST, alpha=0.5,
        linewidth=0, gid=mark("current"),
    )  # fmt: skip
    axes.plot(
        current.places, breaks(current.limit_a), drawstyle="steps-mid", color=SECOND,
        linewidth=1.4, linestyle=(0, (3.5, 1.5)), gid=mark("limit"),
    )  # fmt: skip
    return max(v for v in (*current.current_a, *current.limit_a) if v is not None)


def _by_day(axes: Axes, current: Current) -> float:
    span = current.span
    known = [(span.place(d.at + DAY_S / 2), d) for d in current.days]
    for name, hatch, beyond in (("current", "", False), ("current beyond", "/////", True)):
        days = [(x, d) for x, d in known if (d.above_s > 0) is beyond and d.current_a is not None]
        bars = axes.bar(
            [x for x, _ in days], [d.current_a or 0.0 for _, d in days], width=0.62,
            facecolor=SECOND if beyond else FIRST, edgecolor=PAPER if hatch else FIRST,
            linewidth=0, hatch=hatch,
        )  # fmt: skip
        for bar in bars:
            bar.set_gid(mark(name))
    limits = [(x, d.limit_a) for x, d in known if d.limit_a is not None]
    strokes = axes.hlines(
        [v for _, v in limits], [x - 0.46 for x, _ in limits], [x + 0.46 for x, _ in limits],
        color=INK, linewidth=1.6,
    )  # fmt: skip
    strokes.set_gid(mark("limit"))
    return max([d.current_a or 0.0 for _, d in known] + [v for _, v in limits])
