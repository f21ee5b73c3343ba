"""Charge current: an area, the suggestion as a dashed line, trips above."""

from __future__ import annotations

from matplotlib.figure import Figure

from watchd.report.drawings.paper import (
    FIRST,
    INK,
    SECOND,
    breaks,
    sheet,
    time_axis,
    value_axis,
)
from watchd.report.drawings.svg import mark
from watchd.report.series.current import Current

HEIGHT = 190.0


def draw(current: Current) -> Figure:
    """Bins stand as steps: each is the highest of its time."""
    figure, axes = sheet(HEIGHT)
    amps = breaks(current.current_a)
    axes.fill_between(
        current.places, amps, step="mid", color=FIRST, alpha=0.55, linewidth=0, gid=mark("current")
    )
    axes.plot(
        current.places, breaks(current.limit_a), drawstyle="steps-mid", color=SECOND,
        linewidth=1.2, linestyle=(0, (3.5, 1.5)), gid=mark("limit"),
    )  # fmt: skip
    known = [v for v in (*current.current_a, *current.limit_a) if v is not None]
    high = max(*known, 1.0)
    if current.trips:
        axes.plot(
            [current.span.place(t.begin) for t in current.trips],
            [1.1 * high] * len(current.trips), linestyle="none", marker="v", markersize=5.5,
            markeredgewidth=0, color=INK, gid=mark("trip"), clip_on=False,
        )  # fmt: skip
    value_axis(axes, 0.0, 1.16 * high, "A")
    time_axis(axes, current.span)
    return figure
