"""The knee of a curve: the value from which on a further step brings little.

The point farthest from the chord between both ends of the curve, after both axes are brought to
0..1: V. Satopaa, J. Albrecht, D. Irwin, B. Raghavan, "Finding a 'Kneedle' in a Haystack: Detecting
Knee Points in System Behavior", ICDCS Workshops 2011, in its offline form. Counts of alarms are
whole and few, so the curve is not smoothed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

FEWEST = 5
# A straight line has no knee. A knee that is no farther from it than this is none (ours).
LEAST_DISTANCE = 0.2
# A bend in what hardly changes tells nothing: so much of the largest count, and so many (ours).
LEAST_CHANGE, FEWEST_APART = 0.25, 3


@dataclass(frozen=True, slots=True)
class Knee:
    """`index` is its place in the values, or None, and then `why` says why there is none.

    `distance` is that from the chord, as part of the whole height. With `quiet_beyond` the curve
    has fallen by then and is nearly flat after; without, it is nearly flat before and falls then.
    """

    index: int | None
    why: str = ""
    distance: float = 0.0
    quiet_beyond: bool = True


def find_knee(values: Sequence[float], counts: Sequence[float]) -> Knee:
    """The knee of `counts` over `values`, which rise."""
    if len(values) < FEWEST:
        return Knee(None, f"it takes at least {FEWEST} values")
    if not any(counts):
        return Knee(None, "never raised at any value")
    apart = max(counts) - min(counts)
    if not apart:
        return Knee(None, "raised as often at each value")
    if apart < FEWEST_APART or apart < LEAST_CHANGE * max(counts):
        return Knee(None, "raised nearly as often at each value")
    width, height = values[-1] - values[0], counts[-1] - counts[0]
    if not height:
        return Knee(None, "raised as often at the first value as at the last")
    # Rising or falling, the curve goes from (0, 0) to (1, 1) here, and the chord is y = x.
    away = [
        (count - counts[0]) / height - (value - values[0]) / width
        for value, count in zip(values, counts, strict=True)
    ]
    index = max(range(len(away)), key=lambda i: abs(away[i]))
    if abs(away[index]) < LEAST_DISTANCE:
        return Knee(None, "it changes evenly, without a bend")
    # Above the chord most of the change comes first; for a falling curve that is a fall.
    return Knee(index, "", abs(away[index]), quiet_beyond=(away[index] > 0) == (height < 0))
