"""The figures of a subject as JSON, each rendered anew only where its value is another.

The same bytes as `publish.encode` gives of what `figures.rounded` gives. With each message some
twenty of a pack's 130 figures change, and rendering all of them would cost more than all rules.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import compress
from operator import is_not

from watchd.figures import Figures, Value
from watchd.publish import encode

# Between these (as magnitude) a float with six decimals has at most fifteen digits, so that what is
# printed is what Python prints of the rounded float, and that without an exponent.
LEAST, MOST = 1e-4, 1e9


class FiguresText:
    """Of one subject."""

    __slots__ = ("_figures", "_names", "_texts", "_values")

    def __init__(self) -> None:
        self._figures: Figures = {}
        self._names: list[str] = []
        self._values: list[Value] = []
        self._texts: list[str] = []

    def of(self, figures: Figures) -> str:
        """`figures` as an object of JSON."""
        if figures is not self._figures or len(figures) != len(self._names):
            self._figures = figures
            names = list(figures)
            if names != self._names:
                self._names, self._values = names, list(figures.values())
                self._texts = [_item(name, value) for name, value in figures.items()]
                return f"{{{','.join(self._texts)}}}"
        names = self._names
        values, texts = self._values, self._texts
        now = list(figures.values())
        for place in compress(range(len(now)), map(is_not, now, values)):
            value, before = now[place], values[place]
            # Another object of the same value is no news; but 1 is no 1.0, and 0.0 no -0.0.
            if not value or value != before or type(value) is not type(before):
                texts[place] = _item(names[place], value)
        self._values = now
        return f"{{{','.join(texts)}}}"


def _item(name: str, value: Value) -> str:
    if isinstance(value, float):
        if LEAST <= value < MOST or -MOST < value <= -LEAST:
            # As rounding to six decimals and printing the shortest that is the same float.
            text = f"{value:.6f}".rstrip("0")
            return f'"{name}":{text}0' if text[-1] == "." else f'"{name}":{text}'
        return f'"{name}":{encode(round(value, 6)).decode()}'
    return _plain(name, value)


@lru_cache(4096, typed=True)
def _plain(name: str, value: Value) -> str:
    """Of all packs the same: most that is no number is unknown or one of few words.

    No float: 0.0 and -0.0 would be one key.
    """
    return f'"{name}":{encode(value).decode()}'
