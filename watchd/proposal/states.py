"""What is yes or no, a word or a time: what a pack allows, its protections, when it measured."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import TypeAlias

from watchd.proposal.address import HOLE, Address, Kind, Part, levels_of, topic_of, words_of
from watchd.proposal.events import event_of, events_of
from watchd.proposal.guess import Certainty
from watchd.proposal.mapped import Mapped
from watchd.proposal.overheard import Leaf
from watchd.proposal.packs import Group, Slot
from watchd.proposal.vocabulary import (
    ALLOWED,
    BALANCING,
    CHARGE,
    CURRENT,
    DISCHARGE,
    GENERAL,
    NOT_MEASURED,
    PROTECTION,
    SOC,
    TIME,
    has,
)

LARGEST_CLOCK_ERROR_S = 45.0  # a BMS whose clock is off by more tells no time that is of use
LONGEST_WORD = 60
_YES_NO = frozenset({"true", "false", "on", "off", "yes", "no", "0", "1"})
Free: TypeAlias = "dict[Address, Slot]"  # slots that are not taken; what is taken goes out of it


def states_of(free: Free) -> list[Mapped]:
    """Charge and discharge allowed, balancing, protections."""
    flags = (
        _flag(free, "charge_allowed", lambda w: _may(w, CHARGE, DISCHARGE)),
        _flag(free, "discharge_allowed", lambda w: _may(w, DISCHARGE, frozenset())),
        _flag(free, "balancing", lambda w: has(w, BALANCING)),
    )
    return [*(f for f in flags if f is not None), *_protection(free)]


def _flag(free: Free, name: str, fits: Callable[[Sequence[str]], bool]) -> Mapped | None:
    for slot in sorted(free.values(), key=lambda s: len(s.words())):
        values = [v for leaf in slot.leaves() for _, v in leaf.values]
        if values and all(_is_yes_no(v) for v in values) and fits(slot.words()):
            if has(slot.words(), PROTECTION) or _is_of_a_cell(slot):
                continue
            free.pop(slot.template)
            is_number = any(isinstance(v, float) for v in values)
            certainty = Certainty.NOT_SURE if is_number else Certainty.LIKELY
            if {"allowed", "enabled", "permitted"} & set(slot.words()):
                certainty = Certainty.LIKELY
            seen = ", ".join(sorted({_shown(v) for v in values}))
            return Mapped(
                name, slot.template, 1.0, 0.0, certainty, f"{seen}: yes or no, by its name"
            )
    return None


def _is_of_a_cell(slot: Slot) -> bool:
    """Whether it is one of numbered values, and so not of the pack as a whole."""
    own = [p for p in slot.template[slot.from_place :] if p.text != HOLE]
    return any(p.kind is Kind.INDEX or p.text[-1:].isdecimal() for p in own)


def _protection(free: Free) -> Iterator[Mapped]:
    yield from _objects_of_yes_no(free)
    for slot in list(free.values()):
        values = [v for leaf in slot.leaves() for _, v in leaf.values]
        if not has(slot.words(), PROTECTION):
            continue
        if values and all(_is_yes_no(v) for v in values):
            event = event_of(slot.words())
            if event is not None:
                free.pop(slot.template)
                why = f"yes or no; its name says {event}"
                yield Mapped(
                    "protection",
                    slot.template,
                    1.0,
                    0.0,
                    Certainty.LIKELY,
                    why,
                    when_true=event,
                )
        elif any(isinstance(v, tuple | str) for v in values):
            texts = {str(t) for v in values for t in (v if isinstance(v, tuple) else [v])}
            plain = [t for t in sorted(texts) if t.isprintable() and 0 < len(t) <= LONGEST_WORD]
            theirs = {t: words_of([Part(Kind.KEY, t)]) for t in plain}
            words = events_of(theirs)
            if words:
                free.pop(slot.template)
                why = f"words that were seen: {', '.join(sorted(words))}; add the others"
                yield Mapped(
                    "protection",
                    slot.template,
                    1.0,
                    0.0,
                    Certainty.LIKELY,
                    why,
                    words=words,
                )


def _objects_of_yes_no(free: Free) -> Iterator[Mapped]:
    """{"stops": {"cellHigh": false, "cellLow": false}}: one protection a key."""
    parents: dict[Address, list[Slot]] = {}
    for slot in free.values():
        if slot.last_part().kind is Kind.KEY and len(slot.template) > 1:
            parents.setdefault(slot.template[:-1], []).append(slot)
    for parent, slots in parents.items():
        if parent[-1].kind is not Kind.KEY or not has(words_of(parent[-1:]), PROTECTION):
            continue
        values = [v for s in slots for leaf in s.leaves() for _, v in leaf.values]
        if len(slots) < 2 or not all(isinstance(v, bool) or v in (0.0, 1.0) for v in values):
            continue
        theirs = {s.last_part().text: words_of(s.template[-1:]) for s in slots}
        words = events_of(theirs)
        if words:
            for slot in slots:
                free.pop(slot.template)
            rest = sorted(set(theirs) - set(words))
            why = "yes or no each; by their names" + (
                f"; not clear: {', '.join(rest)}" if rest else ""
            )
            yield Mapped("protection", parent, 1.0, 0.0, Certainty.LIKELY, why, words=words)


def time_of(group: Group, free: Free) -> Mapped | None:
    """The time of measurement, in the document that has the cells."""
    family = next(iter(group.cells.values())).family
    if family.template[family.place].kind is Kind.LEVEL:
        return None
    levels = levels_of(family.template)
    for slot in sorted(free.values(), key=lambda s: len(s.template)):
        if levels_of(slot.template) != levels or len(slot.template) == levels:
            continue
        if not has(slot.words(), TIME) or not _same_document(slot, group):
            continue
        scale = _time_scale(slot.leaves())
        if scale is not None:
            free.pop(slot.template)
            kind = {1.0: "Unix seconds", 0.001: "Unix milliseconds"}.get(scale, "RFC 3339")
            why = f"{kind}, as near to arrival as a link allows"
            return Mapped("time", slot.template, scale or 1.0, 0.0, Certainty.SURE, why)
    return None


def _same_document(slot: Slot, group: Group) -> bool:
    return all(
        topic_of(leaf.address) == topic_of(group.cells[name].family.template)
        for name, leaf in slot.of.items()
    )


def _may(words: Sequence[str], of: frozenset[str], but: frozenset[str]) -> bool:
    if (
        not has(words, of)
        or has(words, but)
        or has(words, SOC | NOT_MEASURED | CURRENT - {"i", "a"})
    ):
        return False
    alone = set(words) - (GENERAL - CHARGE - DISCHARGE) <= of | {"paths", "path", "fets", "mos"}
    return alone or has(words, ALLOWED)


def _is_yes_no(value: object) -> bool:
    if isinstance(value, bool):
        return True
    if isinstance(value, str):
        return value.strip().lower() in _YES_NO
    return value in (0.0, 1.0)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)[:20]


def _time_scale(leaves: Sequence[Leaf]) -> float | None:
    """1 for seconds, 0.001 for milliseconds, 0 for text; None where it is no time that fits."""
    found: set[float] = set()
    for leaf in leaves:
        for at, value in leaf.values:
            scale = _time_of(value, at)
            if scale is None:
                return None
            found.add(scale)
    return found.pop() if len(found) == 1 else None


def _time_of(value: object, at: float) -> float | None:
    if isinstance(value, float) and math.isfinite(value):
        for scale in (1.0, 0.001):
            if abs(value * scale - at) <= LARGEST_CLOCK_ERROR_S:
                return scale
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            return None
        if moment.tzinfo is not None and abs(moment.timestamp() - at) <= LARGEST_CLOCK_ERROR_S:
            return 0.0
    return None
