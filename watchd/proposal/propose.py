"""From what was overheard to a proposal."""

from __future__ import annotations

import re
from collections.abc import Sequence

from watchd.proposal.address import HOLE, Kind, Part, json_path, topic_of, words_of
from watchd.proposal.cells import cell_sets
from watchd.proposal.guess import Certainty, span
from watchd.proposal.mapped import Mapped, Proposal, ProposedLayout, ProposedPack, Unused
from watchd.proposal.overheard import Overheard, Value
from watchd.proposal.packs import Group, Slot, groups_of
from watchd.proposal.peers import Flowing, agreed
from watchd.proposal.roles import Roles
from watchd.proposal.sources import own_name, sources_of
from watchd.proposal.vocabulary import GENERAL

MOST_UNUSED = 16
MOST_PACKS = 64
LONGEST_SHOWN = 40
_DIGITS = re.compile(r"\d+")
NEEDED = {
    "voltage_v": "voltage of the pack",
    "current_a": "current: no charge limit can be suggested",
    "soc_pct": "state of charge",
    "temperature_degc": "temperature: charging in the cold goes unseen",
    "protection": "protection trips: they go unseen",
}


def propose(overheard: Overheard) -> Proposal:
    """A proposal; without packs where nothing looks like the cells of one."""
    leaves = overheard.leaves()
    groups = groups_of(cell_sets(leaves), leaves)
    banks: dict[str, tuple[int, str]] = {}
    by_key: dict[tuple[tuple[str, ...], int], str] = {}
    layouts: list[ProposedLayout] = []
    taken: list[str] = []
    chosen: list[tuple[Group, list[ProposedPack], Roles, list[Mapped]]] = []
    for group in groups:
        packs: list[ProposedPack] = []
        for theirs in group.names:
            if len(taken) >= MOST_PACKS:
                break
            cells = len(group.cells[theirs].family.leaves)
            bank = _bank_of(group, cells, by_key, banks)
            name = own_name(theirs, len(taken) + 1, taken)
            taken.append(name)
            packs.append(_pack(group, theirs, name, bank))
        roles = Roles(group)
        chosen.append((group, packs, roles, roles.all()))
    _agree(chosen)
    for group, packs, roles, mapped in chosen:
        sources, failed = sources_of(group, packs, mapped)
        if not packs or not any(m.name == "cell_v" and m not in failed for m in mapped):
            continue
        kept = tuple(m for m in mapped if m not in failed)
        unused = tuple(_unused(roles.left()))
        layouts.append(ProposedLayout(tuple(packs), tuple(sources), kept, unused, _missing(kept)))
    used = {p.bank for layout in layouts for p in layout.packs}
    banks = {name: about for name, about in banks.items() if name in used}
    notes = []
    if overheard.left_out:
        notes.append(f"{overheard.left_out} messages of other topics were passed over")
    return Proposal(banks, tuple(layouts), len(overheard.topics), overheard.count, tuple(notes))


def _agree(chosen: Sequence[tuple[Group, list[ProposedPack], Roles, list[Mapped]]]) -> None:
    """A current whose sign did not show goes with that of another layout in its bank."""
    places: list[tuple[list[Mapped], int]] = []
    currents: list[Flowing] = []
    for group, packs, _, mapped in chosen:
        for index, one in enumerate(mapped):
            if one.name == "current_a" and packs:
                numbers = [
                    v for leaf in group.slots[one.template].leaves() for _, v in leaf.numbers()
                ]
                is_steady = min(numbers) > 0 or max(numbers) < 0
                mean_a = one.scale * sum(numbers) / len(numbers) if is_steady else 0.0
                currents.append(Flowing(packs[0].bank, packs[0].name, one, mean_a))
                places.append((mapped, index))
    for (mapped, index), one in zip(places, agreed(currents), strict=True):
        mapped[index] = one


def _pack(group: Group, theirs: str, name: str, bank: str) -> ProposedPack:
    family = group.cells[theirs].family
    count = len(family.leaves)
    if name == theirs:
        reason, certainty = f"{count} cells", Certainty.LIKELY
    else:
        shown = f"'{theirs}'" if theirs else "it"
        reason = f"{count} cells; {shown} is no name that can be ours, so edit this one"
        certainty = Certainty.NOT_SURE
    if group.place is not None and len(group.cells) > 1:
        reason += ", and others with the same values beside it"
        certainty = Certainty.SURE if name == theirs else certainty
    return ProposedPack(name, theirs, bank, count, certainty, reason)


def _bank_of(
    group: Group,
    cells: int,
    by_key: dict[tuple[tuple[str, ...], int], str],
    banks: dict[str, tuple[int, str]],
) -> str:
    """Packs below the same levels and with as many cells are one bank."""
    levels = [p.text for p in group.root if p.kind is Kind.LEVEL]
    if group.place is None:
        levels = levels[: max(0, len(levels) - 1)]
    key = (tuple(levels), cells)
    if key not in by_key:
        name = next((n for n in levels if _is_bank_name(n)), "bank")
        unique, count = name, 2
        while unique in banks:
            unique = f"{name[:36]}-{count}"
            count += 1
        by_key[key] = unique
        where = f"below {'/'.join(levels)}/" if levels else "of the first level"
        banks[unique] = (cells, f"packs {where} with {cells} cells in series")
    return by_key[key]


def _is_bank_name(level: str) -> bool:
    words = words_of([Part(Kind.LEVEL, level)])
    general = set(words) <= GENERAL and not any(c.isdecimal() for c in level)
    return bool(words) and not general and own_name(level, 0, ()) == level


def _unused(slots: Sequence[Slot]) -> list[Unused]:
    """What was seen beside it; numbered values are told together."""
    found: dict[str, list[Slot]] = {}
    for slot in slots:
        inside = [p for p in slot.template if p.kind is not Kind.LEVEL]
        topic = topic_of(slot.template).replace(HOLE, "{pack}")
        where = f"{topic} {json_path(inside)}" if inside else topic
        found.setdefault(_DIGITS.sub("N", where.replace(HOLE, "...")), []).append(slot)
    return [Unused(where, _seen(some)) for where, some in list(found.items())[:MOST_UNUSED]]


def _seen(slots: Sequence[Slot]) -> str:
    leaves = [leaf for slot in slots for leaf in slot.leaves()]
    numbers = [v for leaf in leaves for _, v in leaf.numbers()]
    return span(numbers) if numbers else _shown(leaves[0].last)


def _shown(value: Value) -> str:
    text = str(list(value) if isinstance(value, tuple) else value)
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."


def _missing(mapped: Sequence[Mapped]) -> tuple[str, ...]:
    names = {m.name for m in mapped}
    return tuple(f"not found: {why}" for name, why in NEEDED.items() if name not in names)
