"""Figures of a bank, from those of its packs. A sum is unknown where a part of it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from operator import itemgetter

from watchd.estimators.quality.freshness import NOTHING_COMES
from watchd.figures import About, Figure, Figures, Value, number, text, yes_no
from watchd.telemetry.names import CELL_V, within

FIGURES: tuple[Figure, ...] = (
    number(
        "voltage_v",
        "v",
        "highest voltage of the packs",
        About.BANK,
        within=within("voltage_v"),
        noisy=True,
    ),
    number("current_a", "a", "sum of the packs' currents, charge positive", About.BANK, noisy=True),
    number("power_w", "w", "sum of the packs' power, charge positive", About.BANK, noisy=True),
    number(
        "soc_pct",
        "pct",
        "packs' SoC weighted by nameplate capacity",
        About.BANK,
        within=within("soc_pct"),
    ),
    number(
        "nameplate_ah", "ah", "sum of the packs' nameplate capacity", About.BANK, within=(0, None)
    ),
    number(
        "cell_max_v",
        "v",
        "voltage of the highest cell of all packs",
        About.BANK,
        within=CELL_V,
        noisy=True,
    ),
    number(
        "cell_min_v",
        "v",
        "voltage of the lowest cell of all packs",
        About.BANK,
        within=CELL_V,
        noisy=True,
    ),
    number("packs", "", "packs in service", About.BANK, within=(0, None)),
    number(
        "packs_silent",
        "",
        "packs from which nothing comes any more",
        About.BANK,
        within=(0, None),
    ),
    number("packs_fresh", "", "packs whose telemetry is not stale", About.BANK, within=(0, None)),
    number(
        "packs_charging_allowed",
        "",
        "packs whose BMS lets them charge",
        About.BANK,
        within=(0, None),
    ),
    number(
        "charge_limit_a", "a", "the suggested charge current limit", About.BANK, within=(0, None)
    ),
    text("limited_by", "what the suggested limit comes from", about=About.BANK),
    number(
        "discharge_limit_a",
        "a",
        "the suggested discharge current limit, a magnitude",
        About.BANK,
        within=(0, None),
    ),
    text("discharge_limited_by", "what the suggested discharge limit comes from", about=About.BANK),
    number("suggested_voltage_v", "v", "the suggested charge voltage", About.BANK, within=(0, 160)),
    yes_no("all_full", "whether every pack is full", About.BANK),
)


class Totals:
    """`FIGURES` but for what is suggested, made anew from what has changed of a pack.

    `figures` is one mapping that stays. The packs are those in service, in order.
    """

    def __init__(self, nameplate_ah: Sequence[float]) -> None:
        self._weights = list(nameplate_ah)
        self._weight = sum(self._weights)
        packs = len(self._weights)
        numbers = {**_OF_NUMBERS, "soc_pct": self._mean}
        self._columns = [
            _Numbers(name, packs, numbers[name])
            if name in numbers
            else _Values(name, packs, _OF_VALUES[name])
            for name in _OF
        ]
        self._rows: list[tuple[Value, ...]] = [(None,) * len(_OF)] * packs
        self.figures: Figures = {}
        for column in self._columns:
            self.figures[column.name] = column.figure()
            if column.name == "soc_pct":
                self.figures["nameplate_ah"] = round(self._weight, 6)
            elif column.name == "cell_min_v":
                self.figures["packs"] = float(packs)

    def take(self, index: int, pack: Figures) -> None:
        """The figures of a pack are these now."""
        row, before = _ROW(pack), self._rows[index]
        self._rows[index] = row
        for place, value in enumerate(row):
            if value != before[place]:
                column = self._columns[place]
                self.figures[column.name] = column.take(index, value)

    def _mean(self, socs: Sequence[float]) -> float | None:
        if not socs:
            return None
        weighted = sum([w * s for w, s in zip(self._weights, socs, strict=True)])
        return round(weighted / self._weight, 3)


class _Numbers:
    """One figure of the bank, made of a number of each pack; unknown where one of them is."""

    __slots__ = ("_made", "_unknown", "_values", "name")

    def __init__(
        self, name: str, packs: int, made: Callable[[Sequence[float]], float | None]
    ) -> None:
        self.name, self._made = name, made
        self._values, self._unknown = [0.0] * packs, set(range(packs))

    def figure(self) -> Value:
        """The figure as of now."""
        return None if self._unknown else self._made(self._values)

    def take(self, index: int, value: Value) -> Value:
        """The figure, now that a pack has this."""
        if not isinstance(value, float):
            self._unknown.add(index)
            return None
        self._values[index] = value
        if self._unknown:
            self._unknown.discard(index)
            return self.figure()
        return self._made(self._values)


class _Values:
    """One figure of the bank, made of a text or flag of each pack."""

    __slots__ = ("_made", "_values", "name")

    def __init__(self, name: str, packs: int, made: Callable[[Sequence[Value]], Value]) -> None:
        self.name, self._made = name, made
        self._values: list[Value] = [None] * packs

    def figure(self) -> Value:
        """The figure as of now."""
        return self._made(self._values)

    def take(self, index: int, value: Value) -> Value:
        """The figure, now that a pack has this."""
        self._values[index] = value
        return self._made(self._values)


def bank_figures(packs: Mapping[str, Figures]) -> Figures:
    """`FIGURES` but for what is suggested, from the figures of the packs in service."""
    sizes_ah = (f["nameplate_ah"] for f in packs.values())
    totals = Totals([each for each in sizes_ah if isinstance(each, float)])
    for index, figures in enumerate(packs.values()):
        totals.take(index, figures)
    return totals.figures


def _total(values: Sequence[float]) -> float:
    return round(sum(values), 6)


def _highest(values: Sequence[float]) -> float | None:
    return max(values) if values else None


def _lowest(values: Sequence[float]) -> float | None:
    return min(values) if values else None


def _silent(overdue: Sequence[Value]) -> Value:
    return float(overdue.count(NOTHING_COMES))


def _fresh(quality: Sequence[Value]) -> Value:
    return quality.count("good") + quality.count("bad")


def _allowed(flags: Sequence[Value]) -> Value:
    return None if None in flags else flags.count(True)


def _all_full(states: Sequence[Value]) -> Value:
    # Of no pack it would be true, and tell nothing.
    if not states or None in states:
        return None
    return states.count("FULL") == len(states)


# Each figure of the bank: the figure of a pack that it is made of, and how.
_OF = {
    "voltage_v": "voltage_v",
    "current_a": "current_a",
    "power_w": "power_w",
    "soc_pct": "soc_pct",
    "cell_max_v": "cell_max_v",
    "cell_min_v": "cell_min_v",
    "packs_silent": "telemetry_overdue",
    "packs_fresh": "telemetry_quality",
    "packs_charging_allowed": "charge_allowed",
    "all_full": "charge_state",
}
_ROW = itemgetter(*_OF.values())
_OF_NUMBERS: dict[str, Callable[[Sequence[float]], float | None]] = {
    "voltage_v": _highest,
    "current_a": _total,
    "power_w": _total,
    "cell_max_v": _highest,
    "cell_min_v": _lowest,
}
_OF_VALUES: dict[str, Callable[[Sequence[Value]], Value]] = {
    "packs_silent": _silent,
    "packs_fresh": _fresh,
    "packs_charging_allowed": _allowed,
    "all_full": _all_full,
}
