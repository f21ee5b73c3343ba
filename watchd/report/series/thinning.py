"""Fewer points for a line than were kept: a drawing of some hundred dots shows no more."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from watchd.history.trends import Trend
from watchd.report.season import number_of
from watchd.report.span import Span

MOST_POINTS = 360
LEAST_S = 300.0  # trends are five minutes apart


def bin_s(span: Span) -> float:
    """Width of the bins: whole five minutes."""
    return max(1, -(-(span.end - span.begin) // (LEAST_S * MOST_POINTS))) * LEAST_S


def thinned(
    trends: Iterable[Trend],
    figure: str,
    span: Span,
    of: Callable[[list[float]], float],
) -> list[float | None]:
    """One value for each bin from the begin to the end; None where the figure was not known."""
    width = bin_s(span)
    number = int((span.end - span.begin) // width) + 1
    bins: list[list[float]] = [[] for _ in range(number)]
    for trend in trends:
        value = number_of(trend.figures.get(figure))
        if value is not None:
            bins[int((trend.at - span.begin) // width)].append(value)
    return [of(values) if values else None for values in bins]


def places(span: Span) -> list[float]:
    """The middle of each bin, in days from the begin."""
    width = bin_s(span)
    number = int((span.end - span.begin) // width) + 1
    return [span.place(span.begin + (n + 0.5) * width) for n in range(number)]
