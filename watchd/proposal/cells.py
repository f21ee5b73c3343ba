"""Cell voltages: 4 to 32 values side by side, numbered, of like size.

They are what a pack is known by: no other device has them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from statistics import median
from typing import TypeAlias

from watchd.proposal.address import HOLE, Address, Kind, Part, holes_in, levels_of, words_of
from watchd.proposal.guess import span
from watchd.proposal.overheard import Leaf
from watchd.proposal.vocabulary import (
    ALLOWED,
    BALANCING,
    CELL,
    CURRENT,
    ELSEWHERE,
    NOT_MEASURED,
    POWER,
    PROTECTION,
    TEMPERATURE,
    VOLTAGE,
    has,
    is_soc,
)

FEWEST, MOST = 4, 32
# Common practice, no source: lithium cells at work, of whatever chemistry.
LOWEST_V, HIGHEST_V = 1.8, 4.3
MOST_APART = 1.35  # highest over lowest cell of one pack
# What a count or a power may look like too is taken only where a sum or a word says so.
UNITS = {1.0: "V", 0.001: "mV", 0.01: "hundredths of V", 0.1: "tenths of V", 0.0001: "0.1 mV"}
SUM_WITHIN, SUM_WITHIN_V = 0.01, 0.15
MOST_NEAR = 3000  # values below one first level that are looked at
# By the first level of a topic: address, its words, and the value in the middle.
_Near: TypeAlias = "dict[Part, list[tuple[Address, tuple[str, ...], float]]]"
_OTHERS = TEMPERATURE | POWER | NOT_MEASURED | BALANCING | PROTECTION | ELSEWHERE
_LOUD = frozenset({"soh", "health", "r", "res"})


@dataclass(frozen=True, slots=True)
class Family:
    """Numbered values of one kind: `template` has a hole where the number stands."""

    template: Address
    place: int  # of the part with the hole
    numbers: tuple[str, ...]  # as they are written, in order
    leaves: tuple[Leaf, ...]

    @property
    def first(self) -> int:
        """0 or 1."""
        return int(self.numbers[0])

    def medians(self) -> list[float]:
        """The middle value of each, over the time."""
        return [median(v for _, v in leaf.numbers()) for leaf in self.leaves]

    def lasts(self) -> list[float]:
        """The newest value of each."""
        return [leaf.numbers()[-1][1] for leaf in self.leaves]


@dataclass(frozen=True, slots=True)
class CellSet:
    """The cells of one pack: a family, its unit, and what that rests on."""

    family: Family
    scale: float
    sum_seen: float | None  # raw value of a voltage that is their sum
    has_word: bool

    @property
    def sum_v(self) -> float:
        """Volts of all cells together."""
        return sum(self.family.medians()) * self.scale

    def values(self) -> list[float]:
        """All raw values."""
        return [v for leaf in self.family.leaves for _, v in leaf.numbers()]

    def says(self) -> str:
        """Why it is so."""
        count, seen = len(self.family.leaves), span(self.values())
        text = f"{count} values, {seen}: {UNITS[self.scale]}"
        if self.sum_seen is not None:
            text += f", for they add up to {self.sum_v:.1f} V, which is the pack's"
        return text


def families(leaves: Mapping[Address, Leaf], *, fewest: int = FEWEST) -> Iterator[Family]:
    """All families of numbers, counted from 0 or 1 without a gap."""
    found: dict[tuple[Address, int], dict[int, tuple[str, Leaf]]] = defaultdict(dict)
    for address, leaf in leaves.items():
        if not leaf.numbers():
            continue
        for place, part in enumerate(address):
            for hole, number in holes_in(part):
                template = (*address[:place], hole, *address[place + 1 :])
                found[template, place].setdefault(int(number), (number, leaf))
    for (template, place), members in found.items():
        order = sorted(members)
        begins = (0,) if template[place].kind is Kind.INDEX else (0, 1)
        if not fewest <= len(order) <= MOST or order[0] not in begins:
            continue
        if order[-1] - order[0] + 1 == len(order):
            texts, kept = zip(*(members[n] for n in order), strict=True)
            yield Family(template, place, texts, kept)


def cell_sets(leaves: Mapping[Address, Leaf]) -> list[CellSet]:
    """The cells of each pack. No value is taken twice, and the likelier family first."""
    sums = _by_topic(leaves)
    candidates = [c for f in families(leaves) for c in _as_cells(f, sums)]
    candidates.sort(key=lambda c: (-_rank(c), len(c.family.template), str(c.family.template)))
    taken: set[Address] = set()
    chosen: list[CellSet] = []
    for candidate in candidates:
        own = {leaf.address for leaf in candidate.family.leaves}
        if taken.isdisjoint(own):
            taken |= own
            chosen.append(candidate)
    return chosen


def _as_cells(family: Family, sums: _Near) -> Iterator[CellSet]:
    own = words_of(family.template[max(family.place - 1, 0) :])
    if has(own, _OTHERS | CURRENT | _LOUD) and not has(own, VOLTAGE):
        return
    if has(own, TEMPERATURE | POWER | _LOUD) or is_soc(own):
        return
    medians = family.medians()
    if min(medians) <= 0 or max(medians) / min(medians) > MOST_APART:
        return
    has_word = has(own, CELL) and not has(own, ALLOWED - {"state", "status"})
    has_word = has_word or _is_list_of_volts(family)
    for scale in UNITS:
        if not all(LOWEST_V <= m * scale <= HIGHEST_V for m in medians):
            continue
        total = sum(medians) * scale
        seen = _sum_seen(family, total, sums)
        if seen is not None or (has_word and scale in (1.0, 0.001)):
            yield CellSet(family, scale, seen, has_word)
            return


def _is_list_of_volts(family: Family) -> bool:
    """An array in a document, under a word for volts, is likely cells."""
    hole = family.template[family.place]
    return hole.kind is Kind.INDEX and has(words_of(family.template[family.place - 1 :]), VOLTAGE)


def _sum_seen(family: Family, total_v: float, sums: _Near) -> float | None:
    """The raw value of a voltage near by that is the sum of the cells."""
    own = {leaf.address for leaf in family.leaves}
    levels = levels_of(family.template)
    first = family.template[0]
    near = sums.get(first, ()) if HOLE not in first.text else ()
    for address, words, value in near:
        if address in own:
            continue
        same_document = address[:levels] == family.template[:levels]
        if has(words, ELSEWHERE) or not (same_document or has(words, VOLTAGE)):
            continue
        for scale in (1.0, 0.001, 0.01, 0.1):
            if is_sum(value * scale, total_v) and (value > 2 * total_v / len(own) or scale < 1):
                return value
    return None


def is_sum(volts: float, total_v: float) -> bool:
    """Whether it is what cells add up to, as far as sensors agree (common practice, no source)."""
    return abs(volts - total_v) <= max(SUM_WITHIN * total_v, SUM_WITHIN_V)


def _by_topic(leaves: Mapping[Address, Leaf]) -> _Near:
    found: _Near = defaultdict(list)
    for address, leaf in leaves.items():
        numbers = leaf.numbers()
        if numbers and len(found[address[0]]) < MOST_NEAR:
            value = median(v for _, v in numbers)
            found[address[0]].append((address, words_of(address[1:]), value))
    return found


def _rank(cells: CellSet) -> int:
    family = cells.family
    at = family.template[family.place]
    before = family.template[family.place - 1 : family.place]
    rank = 0
    if has(words_of([*before, at]), CELL):
        rank += 4
    if at.kind is Kind.INDEX:
        rank += 2
    if has(words_of(family.template[max(family.place - 1, 0) :]), VOLTAGE):
        rank += 2
    if cells.sum_seen is not None:
        rank += 2
    if has(words_of(family.template[max(family.place - 1, 0) :]), NOT_MEASURED):
        rank -= 3
    return rank + family.place // 3
