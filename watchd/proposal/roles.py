"""Which value of a pack is what: voltage, current, state of charge, temperatures, states, time."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import replace
from statistics import median

from watchd.proposal import scales
from watchd.proposal.address import HOLE, Address, Kind, Part, words_of
from watchd.proposal.direction import Behaviour, direction
from watchd.proposal.guess import Certainty, Guess, least, span
from watchd.proposal.mapped import Mapped
from watchd.proposal.packs import Group, Slot, numbered_slots
from watchd.proposal.states import states_of, time_of
from watchd.proposal.vocabulary import (
    CURRENT,
    INWARD,
    NOT_MEASURED,
    OUTWARD,
    POWER,
    TEMPERATURE,
    TIME,
    VOLTAGE,
    has,
    is_soc,
)

ROUND_WITHIN_S = 5.0  # cells that come one by one are one round within it
_SWITCH = frozenset({"fet", "mos", "mosfet", "board", "pcb", "ambient", "heater", "umgebung"})


class Roles:
    """Looks through the slots of one group. What is taken once is not taken again."""

    def __init__(self, group: Group) -> None:
        self._group = group
        self._free = dict(group.slots)
        self._sums = [c.sum_v for c in group.cells.values()]

    def all(self) -> list[Mapped]:
        """What is mapped, in the order of the config's names."""
        cells = self._cells()
        volts = self._voltage()
        amps = self._current(volts)
        found = [volts, amps, self._soc(), cells, self._temperature()]
        found += [*states_of(self._free), time_of(self._group, self._free)]
        mapped = [m for m in found if m is not None]
        return [self._as_far_as_fresh(m) for m in mapped]

    def left(self) -> list[Slot]:
        """What nothing was made of."""
        return list(self._free.values())

    def _take(self, slot: Slot) -> None:
        self._free.pop(slot.template, None)

    def _as_far_as_fresh(self, mapped: Mapped) -> Mapped:
        slot = self._group.slots.get(mapped.template)
        if slot is None or _is_fresh([slot]):
            return mapped
        why = f"{mapped.reason}; retained only, which is history"
        return replace(mapped, certainty=Certainty.NOT_SURE, reason=why)

    def _numeric(self) -> Iterator[tuple[Slot, list[float]]]:
        for slot in self._free.values():
            values = [v for leaf in slot.leaves() for _, v in leaf.numbers()]
            if values and all(leaf.numbers() for leaf in slot.leaves()):
                yield slot, values

    def _cells(self) -> Mapped:
        sets = list(self._group.cells.values())
        one = sets[0]
        family, place = one.family, self._group.place
        template = list(family.template)
        if place is not None:
            template[place] = Part(template[place].kind, HOLE)
        in_topic = template[family.place].kind is Kind.LEVEL
        certainty = Certainty.SURE if one.sum_seen is not None else Certainty.LIKELY
        if not all(leaf.is_fresh for leaf in family.leaves):
            certainty = Certainty.NOT_SURE
        values = [v for c in sets for v in c.values()]
        reason = one.says() if len(sets) == 1 else f"{one.says()} (all packs: {span(values)})"
        mean = one.sum_v / len(family.leaves)
        if not 2.0 <= mean <= 3.7:
            certainty = Certainty.NOT_SURE
            reason += f"; {mean:.2f} V a cell is not LFP, which watchd is made for"
        return Mapped(
            "cell_v",
            tuple(template),
            one.scale,
            0.0,
            certainty,
            reason,
            fill=family.numbers,
            capture="cell" if in_topic else None,
            place=family.place,
        )

    def _voltage(self) -> Mapped | None:
        best: tuple[tuple[int, int, int], Slot, Guess] | None = None
        for slot, _ in self._numeric():
            words = slot.words()
            if has(words, TEMPERATURE | POWER | TIME - {"t", "at"}) or is_soc(words):
                continue
            guess = self._volts_of(slot)
            if guess is None:
                continue
            named = has(words, VOLTAGE)
            rank = (int(named), -int(has(words, NOT_MEASURED)), -len(slot.template))
            if best is None or rank > best[0]:
                best = rank, slot, guess
        if best is None:
            return None
        rank, slot, guess = best
        self._take(slot)
        certainty = guess.certainty if rank[0] else Certainty.LIKELY
        return Mapped("voltage_v", slot.template, guess.value, 0.0, certainty, guess.reason)

    def _volts_of(self, slot: Slot) -> Guess | None:
        """The same scale must fit the cells of every pack."""
        found = None
        for name, leaf in slot.of.items():
            cells = self._group.cells[name]
            guess = scales.voltage([v for _, v in leaf.numbers()], cells.sum_v, slot.words())
            if guess is None or (found is not None and found.value != guess.value):
                return None
            found = found or guess
        return found

    def _current(self, volts: Mapped | None) -> Mapped | None:
        ranked = sorted(
            (
                (-_fits_current(slot.words()), len(slot.template), str(slot.template), slot, values)
                for slot, values in self._numeric()
                if _fits_current(slot.words()) > 0 and max(map(abs, values)) < 1e6
            ),
            key=lambda r: r[:3],
        )
        if not ranked:
            return None
        slot, values = ranked[0][3:]
        self._take(slot)
        middle = median(self._sums)
        guess = scales.current(values, slot.words(), middle, self._power(slot, volts))
        words = slot.words()
        outward: bool | None = None
        if has(words, OUTWARD) != has(words, INWARD):
            outward = has(words, OUTWARD)
        sign = direction([self._behaviour(n, slot, guess.value) for n in slot.of], outward)
        return Mapped(
            "current_a",
            slot.template,
            guess.value * sign.value,
            0.0,
            least(guess.certainty, sign.certainty),
            f"{guess.reason}; {sign.reason}",
            size_certainty=guess.certainty if sign.certainty is Certainty.NOT_SURE else None,
        )

    def _power(self, current: Slot, volts: Mapped | None) -> scales.Powered | None:
        if volts is None:
            return None
        for slot, _ in self._numeric():
            if not has(slot.words(), POWER) or has(slot.words(), NOT_MEASURED):
                continue
            pairs = []
            for name, leaf in current.of.items():
                if name in slot.of:
                    watts = dict(slot.of[name].numbers())
                    pairs += [(a, watts[at]) for at, a in leaf.numbers() if at in watts]
                    if not pairs:  # topics of their own come a little apart
                        pairs.append((leaf.numbers()[-1][1], slot.of[name].numbers()[-1][1]))
            return scales.Powered(slot.last_part().text, pairs)
        return None

    def _behaviour(self, name: str, current: Slot, scale: float) -> Behaviour:
        series = [(at, v * scale) for at, v in current.of[name].numbers()]
        soc: list[tuple[float, float]] = []
        for slot in self._group.slots.values():
            if name in slot.of and is_soc(slot.words()):
                numbers = slot.of[name].numbers()
                top = max((v for _, v in numbers), default=0.0)
                soc = [(at, v * (100.0 if top <= 1.0 else 1.0)) for at, v in numbers]
        return Behaviour(series, self._cell_series(name), soc)

    def _cell_series(self, name: str) -> list[tuple[float, float]]:
        """Volts of the mean cell: each time that all cells came, or the next round of topics."""
        cells = self._group.cells[name]
        columns = [leaf.numbers() for leaf in cells.family.leaves]
        times = [[at for at, _ in column] for column in columns]
        found = []
        for at, _ in columns[-1]:
            row = [c[_nearest(t, at)] for c, t in zip(columns, times, strict=True)]
            if all(abs(when - at) <= ROUND_WITHIN_S for when, _ in row):
                found.append((at, sum(v for _, v in row) / len(row) * cells.scale))
        return found

    def _soc(self) -> Mapped | None:
        best: tuple[tuple[int, int], Slot, Guess] | None = None
        for slot, values in self._numeric():
            words = slot.words()
            if has(words, (NOT_MEASURED - {"full"}) | TEMPERATURE):
                continue
            guess = scales.soc(values, words)
            if guess is not None:
                rank = (-int(bool({"soc", "rsoc"} & set(words))), len(slot.template))
                if best is None or rank < best[0]:
                    best = rank, slot, guess
        if best is None:
            return None
        _, slot, guess = best
        self._take(slot)
        return Mapped("soc_pct", slot.template, guess.value, 0.0, guess.certainty, guess.reason)

    def _temperature(self) -> Mapped | None:
        return self._probes() or self._one_temperature()

    def _probes(self) -> Mapped | None:
        for template, place, slots in numbered_slots(self._free):
            words = words_of([p for p in template[self._begin(template) :] if p.text != HOLE])
            if not _fits_temperature(words) or not all(s.template in self._free for s in slots):
                continue
            numeric = {s.template: v for s, v in self._numeric()}
            if not all(s.template in numeric for s in slots) or len(slots) > 32:
                continue
            values = [v for s in slots for v in numeric[s.template]]
            degrees = scales.temperature(values, words)
            if degrees is None:
                continue
            in_topic = template[place].kind is Kind.LEVEL
            for slot in slots:
                self._take(slot)
            stem = template[place].text.replace(HOLE, "")
            return Mapped(
                "temperature_degc",
                template,
                degrees.scale,
                degrees.offset,
                degrees.certainty if _is_fresh(slots) else Certainty.NOT_SURE,
                f"{len(slots)} of them, {degrees.reason}",
                fill=tuple(s.template[place].text[len(stem) :] for s in slots),
                capture="sensor" if in_topic else None,
                place=place,
            )
        return None

    def _begin(self, template: Address) -> int:
        place = self._group.place
        return len(self._group.root) if place is None else min(place, len(template))

    def _one_temperature(self) -> Mapped | None:
        fits = [(s, v) for s, v in self._numeric() if _fits_temperature(s.words())]
        # What is called after a cell or the pack comes before what is called after anything else.
        fits.sort(key=lambda f: (-int(has(f[0].words(), frozenset({"cell"}))), len(f[0].template)))
        for slot, values in fits:
            degrees = scales.temperature(values, slot.words())
            if degrees is not None:
                self._take(slot)
                return Mapped(
                    "temperature_degc",
                    slot.template,
                    degrees.scale,
                    degrees.offset,
                    degrees.certainty,
                    degrees.reason,
                )
        return None


def _is_fresh(slots: Sequence[Slot]) -> bool:
    return all(leaf.is_fresh for slot in slots for leaf in slot.leaves())


def _nearest(times: Sequence[float], at: float) -> int:
    """Index of the time that is nearest to `at`."""
    index = bisect_left(times, at)
    if index == len(times) or (index and at - times[index - 1] < times[index] - at):
        return index - 1
    return index


def _fits_current(words: Sequence[str]) -> int:
    if has(words, NOT_MEASURED | TEMPERATURE | POWER | VOLTAGE - {"u", "v"}) or is_soc(words):
        return 0
    strong = CURRENT - {"a", "i", "ma", "da", "ca"}
    return 2 if has(words, strong) else int(has(words[-2:], CURRENT))


def _fits_temperature(words: Sequence[str]) -> bool:
    return has(words, TEMPERATURE) and not has(
        words, (NOT_MEASURED - {"no", "number"}) | POWER | _SWITCH | VOLTAGE | CURRENT - {"a", "i"}
    )
