"""From cells to packs: which level names the pack, and what else is said of it.

What is said of a pack stands in slots: an address with a hole where the pack's name stands, and the
values of each pack there.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from watchd.proposal.address import HOLE, Address, Kind, Part, levels_of, topic_of, words_of
from watchd.proposal.cells import CellSet
from watchd.proposal.overheard import Leaf
from watchd.proposal.vocabulary import CELL, CURRENT, ELSEWHERE, GENERAL, PACK, VOLTAGE, has

_NUMBERED = re.compile(r"(\D*)(\d{1,3})")


@dataclass(frozen=True, slots=True)
class Slot:
    """One value of each pack of a group. `template` has a hole for the pack, where it is named."""

    template: Address
    of: dict[str, Leaf]  # by their name of the pack
    from_place: int  # what stands before it is common to all slots

    def words(self) -> tuple[str, ...]:
        """The words that say what it is."""
        return words_of([p for p in self.template[self.from_place :] if p.text != HOLE])

    def leaves(self) -> list[Leaf]:
        """Of each pack."""
        return list(self.of.values())

    def last_part(self) -> Part:
        """What names the value itself."""
        return self.template[-1]


@dataclass(slots=True)
class Group:
    """Packs whose telemetry has one layout."""

    cells: dict[str, CellSet]  # by their name of the pack
    place: int | None  # of the part that names the pack; None: a single pack
    root: Address  # what stands before all that is said of the packs
    slots: dict[Address, Slot] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        """Their names of the packs."""
        return list(self.cells)


def groups_of(sets: Sequence[CellSet], leaves: Mapping[Address, Leaf]) -> list[Group]:
    """Every pack once, in groups of one layout."""
    left = list(sets)
    groups: list[Group] = []
    while (found := _largest(left, leaves)) is not None:
        place, chosen = found
        cells = {c.family.template[place].text: c for c in chosen}
        groups.append(Group(cells, place, chosen[0].family.template[:place]))
        kept = {id(c) for c in chosen}
        left = [c for c in left if id(c) not in kept]
        left = [c for c in left if not any(_beside(c, other) for other in chosen)]
    singles: list[CellSet] = []
    for one in left:
        if not any(_beside(one, other) for other in singles):
            singles.append(one)
    groups.extend(_single(one, leaves) for one in singles)
    groups = _once(groups)
    for group in groups:
        if group.place is not None:
            group.slots = _slots(group, leaves)
    return groups


def _once(groups: Sequence[Group]) -> list[Group]:
    """Without those whose packs are told a second time, in another document."""
    kept: list[Group] = []
    for group in groups:
        if not any(g.root == group.root and set(group.cells) <= set(g.cells) for g in kept):
            kept.append(group)
    return kept


def _largest(
    sets: Sequence[CellSet], leaves: Mapping[Address, Leaf]
) -> tuple[int, list[CellSet]] | None:
    """Cells that differ by one part of their address alone: the name of the pack."""
    found: dict[tuple[Address, int], dict[str, CellSet]] = defaultdict(dict)
    for cells in sets:
        template = cells.family.template
        for place, part in enumerate(template):
            if place != cells.family.place:
                key = (*template[:place], Part(part.kind, HOLE), *template[place + 1 :])
                found[key, place].setdefault(part.text, cells)
    many = [
        (place, list(by_name.values()))
        for (key, place), by_name in found.items()
        if len(by_name) > 1 and _names_packs(key, place, by_name, leaves)
    ]
    if not many:
        return None

    def worth(one: tuple[int, list[CellSet]]) -> tuple[int, int, int]:
        place, chosen = one
        before = chosen[0].family.template[:place][-1:]
        return int(has(words_of(before), PACK)), place, len(chosen)

    return max(many, key=worth)


def _names_packs(
    key: Address, place: int, by_name: dict[str, CellSet], leaves: Mapping[Address, Leaf]
) -> bool:
    """Whether what differs is a name, and not one of several kinds of values of one pack."""
    if any(has(words_of([Part(Kind.KEY, name)]), CELL | VOLTAGE - {"u", "v"}) for name in by_name):
        return False
    if any(_is_general(name) for name in by_name):
        return False
    if key[place].kind is Kind.LEVEL:
        return True
    # Inside a document each pack has more than its cells.
    for cells in by_name.values():
        root = cells.family.template[: place + 1]
        own = {leaf.address for leaf in cells.family.leaves}
        if not any(a[: place + 1] == root and a not in own for a in leaves):
            return False
    return True


def _beside(one: CellSet, other: CellSet) -> bool:
    """Whether both are of one pack: lowest and highest of each cell, for example."""
    a, b = one.family.template, other.family.template
    shorter = min(one.family.place, other.family.place)
    same_topic = topic_of(a).replace(HOLE, "") == topic_of(b).replace(HOLE, "")
    return a[: shorter - 1] == b[: shorter - 1] and (same_topic or shorter > 1)


def _slots(group: Group, leaves: Mapping[Address, Leaf]) -> dict[Address, Slot]:
    """What is said of each pack under the same root; or elsewhere, if there is little."""
    place = group.place
    if place is None:
        return {}
    own = {leaf.address for c in group.cells.values() for leaf in c.family.leaves}
    names = set(group.cells)
    found: dict[Address, Slot] = {}
    for address, leaf in leaves.items():
        if address in own or len(address) <= place or address[:place] != group.root:
            continue
        if address[place].text in names and not _is_elsewhere(address[place + 1 :]):
            _put(found, address, place, place, leaf)
    if not any(_is_central(slot) for slot in found.values()):
        found |= _named_elsewhere(group, leaves, own)
    return {t: s for t, s in found.items() if 2 * len(s.of) >= len(names)}


def _named_elsewhere(
    group: Group, leaves: Mapping[Address, Leaf], own: set[Address]
) -> dict[Address, Slot]:
    """bms/volts/7 beside bms/cells/7/1: the pack is named below what the value is."""
    found: dict[Address, Slot] = {}
    first = next(iter(group.cells.values())).family.template[0]
    for address, leaf in leaves.items():
        if address in own or address[0] != first or _is_elsewhere(address):
            continue
        for place, part in enumerate(address):
            if part.kind is Kind.LEVEL and part.text in group.cells and place > 0:
                _put(found, address, place, 1, leaf)
                break
    return found


def _put(found: dict[Address, Slot], address: Address, place: int, begin: int, leaf: Leaf) -> None:
    part = address[place]
    template = (*address[:place], Part(part.kind, HOLE), *address[place + 1 :])
    slot = found.setdefault(template, Slot(template, {}, begin))
    slot.of[part.text] = leaf


def _single(cells: CellSet, leaves: Mapping[Address, Leaf]) -> Group:
    """A pack that has no other beside it: its root is the nearest that has volts or amperes."""
    template = cells.family.template
    own = {leaf.address for leaf in cells.family.leaves}
    levels = levels_of(template)
    root: Address = template[: max(1, min(cells.family.place, levels))]
    name = _name_of(root)
    best: tuple[Address, dict[Address, Slot]] = root, {}
    for length in range(len(root), 0, -1):
        slots = {
            a: Slot(a, {name: leaf}, length)
            for a, leaf in leaves.items()
            if a not in own and a[:length] == root[:length] and not _is_elsewhere(a[length:])
        }
        is_central = any(_is_central(slot) for slot in slots.values())
        if is_central or length == len(root):
            best = root[:length], slots
        # Above a document called "state" stands its pack; above that, the rest of the house.
        goes_on = has(words_of([root[length - 1]]), GENERAL | CELL)
        if is_central:
            goes_on = goes_on and length > 2
        if not goes_on and (is_central or length < levels):
            break
    return Group({name: cells}, None, *best)


def _name_of(levels: Sequence[Part]) -> str:
    """The last level that can be a name."""
    for part in reversed(levels):
        words = words_of([part])
        if words and not has(words, GENERAL | CELL) and HOLE not in part.text:
            return part.text
    return levels[-1].text if levels and HOLE not in levels[-1].text else ""


def _is_general(name: str) -> bool:
    words = words_of([Part(Kind.LEVEL, name)])
    return bool(words) and set(words) <= GENERAL and not any(c.isdecimal() for c in name)


def _is_central(slot: Slot) -> bool:
    numeric = any(leaf.numbers() for leaf in slot.leaves())
    return numeric and has(slot.words(), VOLTAGE | CURRENT)


def _is_elsewhere(parts: Sequence[Part]) -> bool:
    return has(words_of(parts), ELSEWHERE)


def numbered_slots(slots: Mapping[Address, Slot]) -> Iterator[tuple[Address, int, list[Slot]]]:
    """Slots that differ by a number alone, and where that stands: probes, for example."""
    found: dict[tuple[Address, int], dict[int, Slot]] = defaultdict(dict)
    for template, slot in slots.items():
        for place in range(slot.from_place, len(template)):
            part = template[place]
            if part.text == HOLE:
                continue
            if numbered := _NUMBERED.fullmatch(part.text):
                hole = Part(part.kind, f"{numbered[1]}{HOLE}")
                key = (*template[:place], hole, *template[place + 1 :])
                found[key, place].setdefault(int(numbered[2]), slot)
    for (key, place), by_number in found.items():
        yield key, place, [by_number[n] for n in sorted(by_number)]
