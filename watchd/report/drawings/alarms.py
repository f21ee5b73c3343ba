"""Alarms: a row each, its name above its bars, the shape of a bar's head says its priority."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from watchd.report.drawings.paper import BOTTOM, INK, RULE, SOFT, sheet, time_axis
from watchd.report.drawings.svg import mark
from watchd.report.series.alarms import Alarms, Row
from watchd.rules.rule import Priority

ROW = 31.0
_SHAPES = {
    Priority.CRITICAL: ("D", 5.2),
    Priority.HIGH: ("^", 6.2),
    Priority.MEDIUM: ("s", 5.0),
    Priority.LOW: ("o", 5.0),
    Priority.JOURNAL: ("|", 6.0),
}
_SIDE, _TOP = 6.0, 4.0


def draw(alarms: Alarms) -> Figure:
    """The most urgent on top."""
    figure, axes = sheet(_TOP + BOTTOM + ROW * len(alarms.rows), left=_SIDE, top=_TOP)
    for number, row in enumerate(alarms.rows):
        _row(axes, row, number + 0.66, alarms)
    time_axis(axes, alarms.span)
    axes.set_ylim(len(alarms.rows), 0.0)
    axes.set_yticks([])
    return figure


def _row(axes: Axes, row: Row, y: float, alarms: Alarms) -> None:
    across = axes.get_yaxis_transform()
    axes.text(0.0, y - 0.21, row.name, transform=across, va="bottom", ha="left", color=INK)
    axes.text(
        1.0, y - 0.21, str(row.priority), transform=across, va="bottom", ha="right", color=SOFT
    )
    axes.axhline(y, color=RULE, linewidth=0.6, zorder=0)
    span = alarms.span
    begins = [max(0.0, span.place(o.begin)) for o in row.times]
    ends = [span.days if o.end is None else span.place(o.end) for o in row.times]
    bars = axes.hlines([y] * len(begins), begins, ends, color=SOFT, linewidth=3.2)
    bars.set_gid(mark("stood"))
    shape, size = _SHAPES[row.priority]
    axes.plot(
        begins, [y] * len(begins), linestyle="none", marker=shape, markersize=size, color=INK,
        markeredgewidth=1.6 if shape == "|" else 0, gid=mark(f"raised {row.priority}"),
        clip_on=False, zorder=3,
    )  # fmt: skip
    if any(o.end is None for o in row.times):
        axes.plot(
            [span.days], [y], linestyle="none", marker=">", markersize=6.0, color=INK,
            markeredgewidth=0, gid=mark("stands"), clip_on=False, zorder=3,
        )  # fmt: skip
