"""Spread at full: dots, trend and its band."""

from __future__ import annotations

from matplotlib.figure import Figure

from watchd.report.drawings.paper import FIRST, INK, SOFT, sheet, time_axis, value_axis
from watchd.report.drawings.svg import mark
from watchd.report.series.spread import Spread

HEIGHT = 170.0


def draw(spread: Spread) -> Figure:
    """A dot a day, a cross at the foot of a day without."""
    figure, axes = sheet(HEIGHT)
    days = [d for d, _ in spread.points]
    values = [mv for _, mv in spread.points]
    highest = max(values)
    if spread.trend is not None and spread.has_way:
        ends = [spread.latest[0][0], spread.latest[-1][0]]
        edges = [edge for d in ends if (edge := spread.band(d)) is not None]
        low, high = [e[0] for e in edges], [e[1] for e in edges]
        # At the middle the band has no width: its edges cross there, so it is filled in two parts.
        middle = spread.middle
        level = spread.level
        axes.fill_between(
            [ends[0], middle, ends[1]], [low[0], level, low[1]], [high[0], level, high[1]],
            color=FIRST, alpha=0.18, linewidth=0, gid=mark("band"),
        )  # fmt: skip
        line = [spread.trend.slope.at(d) for d in ends]
        axes.plot(ends, line, color=FIRST, linewidth=1.4, gid=mark("trend"))
        # Not to the band's end: where the slope is vague, the dots would lie flat on the ground.
        highest = max(highest, *line)
    axes.plot(
        days, values, linestyle="none", marker="o", markersize=4.2, color=INK,
        markeredgewidth=0, gid=mark("full"), zorder=3,
    )  # fmt: skip
    if spread.without:
        axes.plot(
            spread.without, [0.0] * len(spread.without), linestyle="none", marker="x",
            markersize=4.5, color=SOFT, markeredgewidth=1.1, gid=mark("without"), clip_on=False,
        )  # fmt: skip
    value_axis(axes, 0.0, max(1.12 * highest, 10.0), "mV")
    time_axis(axes, spread.span)
    return figure
