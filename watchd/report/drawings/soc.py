"""State of charge: two lines, a band, and where the BMS set itself."""

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
from watchd.report.series.soc import Soc

HEIGHT = 190.0
_ABOVE = 106.0  # where marks stand, above all values


def draw(soc: Soc) -> Figure:
    """Solid the BMS, dashed our own."""
    figure, axes = sheet(HEIGHT)
    low, high = soc.band()
    axes.fill_between(
        soc.places,
        breaks(low),
        breaks(high),
        color=SECOND,
        alpha=0.25,
        linewidth=0,
        gid=mark("band"),
    )
    axes.plot(
        soc.places,
        breaks(soc.own_pct),
        color=SECOND,
        linewidth=1.3,
        linestyle=(0, (4, 1.6)),
        gid=mark("own"),
    )
    axes.plot(soc.places, breaks(soc.bms_pct), color=FIRST, linewidth=1.2, gid=mark("bms"))
    for reached, shape, name in ((True, "D", "reanchored"), (False, "x", "missed")):
        found = [a.place for a in soc.anchors if a.reached is reached]
        if found:
            axes.plot(
                found, [_ABOVE] * len(found), linestyle="none", marker=shape, color=INK,
                markersize=4.0 if reached else 4.8, markeredgewidth=0 if reached else 1.2,
                gid=mark(name), clip_on=False,
            )  # fmt: skip
    value_axis(axes, 0.0, 110.0, "%")
    time_axis(axes, soc.span)
    return figure
