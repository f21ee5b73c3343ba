"""The current limit of a bank from the limits of its packs: the lowest rules, and it is steady.

It falls at once and rises slowly, so that a cell whose voltage follows the current does not make it
swing; and for `STILL_S` after a fall a small rise is noise, and waits. After a withdrawal the rise
goes on from the last limit, so that telemetry that comes and goes does not make a jump of it.

A limit is made with each sample: first the numbers alone, which are what rules see. Of each pack
the least of its own limits decides, since what the bank may carry because of a pack grows with what
the pack may. What all of them come to, in words, is made when somebody reads it (`_Reasons`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from watchd.advice.advice import Advice, OwnLimit, Part
from watchd.advice.sharing import Carrier, Sharing, Split

MAXIMUM = "maximum"  # how parts are called beyond which it can never go
RISE_PART_A_MIN = 0.1  # of the most that it can be, a minute
STILL_S = 60.0
SMALL_A, SMALL_PART = 1.0, 0.05  # the larger of the two, the part of what stands


@dataclass(slots=True)
class Carrying(Carrier):
    """A pack that carries, with its own limits; `least_a` as `least_of` tells it."""

    limits: Sequence[OwnLimit]
    least_a: float

    def most_a(self) -> float:
        """Beyond what it can never go, in A."""
        maxima = [_counted_a(each) for each in self.limits if each.what.endswith(MAXIMUM)]
        return min(maxima, default=math.inf)


def least_of(limits: Sequence[OwnLimit]) -> float:
    """The least of a pack's own limits in A; minus infinity where one stops all."""
    least_a = math.inf
    for limit in limits:
        if limit.stops:
            return -math.inf
        least_a = min(least_a, limit.limit_a)
    return least_a


class Ceiling:
    """What the bank itself may carry; at least one part is called a maximum."""

    __slots__ = ("lowest", "lowest_a", "most_a", "parts")

    def __init__(self, parts: Sequence[Part]) -> None:
        self.parts = tuple(parts)
        self.lowest = min(self.parts, key=lambda p: p.limit_a)
        self.lowest_a = self.lowest.limit_a
        self.most_a = min(p.limit_a for p in self.parts if p.what.endswith(MAXIMUM))


class CurrentLimit:
    """One limit of one bank, in one direction, as time goes on."""

    def __init__(self, rise_a_min: float | None, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._rise_a_min = rise_a_min
        self._sharing = Sharing(known.get("sharing"))
        self._limit_a: float | None = known.get("limit_a")
        self._limit_at: float = known.get("limit_at", 0.0)
        self._fell_at: float = known.get("fell_at", -math.inf)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "sharing": self._sharing.snapshot(),
            "limit_a": self._limit_a,
            "limit_at": self._limit_at,
            **({} if self._fell_at == -math.inf else {"fell_at": self._fell_at}),
        }

    def nothing(self, at: float, limited_by: str, because: str) -> Advice:
        """Nothing may flow."""
        self._limit_a, self._limit_at = 0.0, at
        return Advice(0.0, limited_by, because)

    def update(self, at: float, packs: Sequence[Carrying], ceiling: Ceiling) -> Advice:
        """The limit as of `at`, of the packs that carry; at least one. `packs` is kept."""
        sharing = self._sharing
        total_a = sharing.take(at, packs)
        reasons = _Reasons(packs, ceiling, sharing.parts, total_a, sharing.is_learnt)
        lowest_a = reasons.lowest_a()
        target_a = math.floor(lowest_a * 10) / 10
        limit_a, before = target_a, self._limit_a
        if before is None or target_a == before:
            pass
        elif target_a < before:
            self._fell_at = at
        elif self._is_noise(at, before, target_a):
            limit_a = before
        else:
            rise_a_min = self._rise_a_min or RISE_PART_A_MIN * reasons.most_a()
            # From a damaged state, of before or of later than now, it rises from nothing.
            risen_a = before + rise_a_min * (at - self._limit_at) / 60
            limit_a = max(0.0, min(target_a, risen_a))
            if limit_a < target_a:
                reasons.toward_a = target_a
        self._limit_a, self._limit_at = limit_a, at
        shown_a = math.floor(limit_a * 10) / 10
        return Advice(shown_a, reasons.limited_by(lowest_a), why=reasons.told)

    def _is_noise(self, at: float, before_a: float, target_a: float) -> bool:
        """Whether a rise is small and follows a fall."""
        small_a = max(SMALL_A, SMALL_PART * before_a)
        return at - self._fell_at < STILL_S and target_a - before_a < small_a


class _Reasons:
    """What a limit is made of, as of one moment. `toward_a`: what it rises toward, if it does."""

    __slots__ = ("_ceiling", "_is_learnt", "_packs", "_parts", "_total_a", "toward_a")

    def __init__(
        self,
        packs: Sequence[Carrying],
        ceiling: Ceiling,
        parts: Sequence[float],
        total_a: float,
        is_learnt: bool,
    ) -> None:
        self._packs, self._ceiling = packs, ceiling
        self._parts, self._total_a, self._is_learnt = parts, total_a, is_learnt
        self.toward_a: float | None = None

    def lowest_a(self) -> float:
        """The least that the bank may carry because of anything."""
        # What `Split.bank_a` gives grows with each of its terms, also as rounded: the least of
        # the packs' terms gives the least of all.
        of_packs = zip(self._packs, self._parts, strict=True)
        if self._is_learnt:
            change_a = min([(pack.least_a - pack.current_a) / part for pack, part in of_packs])
            packs_a = max(self._total_a + change_a, 0.0)
        else:
            packs_a = min([pack.least_a / part for pack, part in of_packs])
            if packs_a == -math.inf:
                packs_a = 0.0
        return min(self._ceiling.lowest_a, packs_a)

    def limited_by(self, lowest_a: float) -> str:
        """What rules: the first of what comes to `lowest_a`."""
        if self.toward_a is not None:
            return "slow rise"
        if self._ceiling.lowest_a <= lowest_a:
            return self._ceiling.lowest.what
        split = self._split()
        for index, pack in enumerate(self._packs):
            if _bank_a(split, index, pack.least_a) <= lowest_a:
                for limit in pack.limits:
                    if _bank_a(split, index, _counted_a(limit)) <= lowest_a:
                        return f"pack/{pack.name} {limit.what}"
        return self._ceiling.lowest.what

    def most_a(self) -> float:
        """Beyond what it can never go."""
        split = self._split()
        packs = [_bank_a(split, index, pack.most_a()) for index, pack in enumerate(self._packs)]
        return min(self._ceiling.most_a, *packs)

    def told(self) -> tuple[str, tuple[Part, ...]]:
        """All parts, those of the bank first, and the sentence about the first of the lowest."""
        parts, split = list(self._ceiling.parts), self._split()
        for index, pack in enumerate(self._packs):
            shared = split.describe(index)
            parts.extend(
                Part(
                    f"pack/{pack.name} {limit.what}",
                    _bank_a(split, index, _counted_a(limit)),
                    f"{limit.because}; {shared}",
                    round(limit.limit_a, 3),
                    round(split.parts[index], 4),
                )
                for limit in pack.limits
            )
        because = min(parts, key=lambda p: p.limit_a).because
        if self.toward_a is not None:
            because = f"rises slowly toward {self.toward_a:.1f} A; there, {because}"
        return because, tuple(parts)

    def _split(self) -> Split:
        return Split(tuple(self._packs), self._parts, self._total_a, self._is_learnt)


def _bank_a(split: Split, index: int, counted_a: float) -> float:
    return split.bank_a(index, counted_a) if counted_a > -math.inf else 0.0


def _counted_a(limit: OwnLimit) -> float:
    return -math.inf if limit.stops else limit.limit_a
