"""The sign of a current from the other packs of its bank: packs on one bus mostly agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from watchd.proposal.guess import Certainty, least
from watchd.proposal.mapped import Mapped

LEAST_FLOW_A = 5.0  # with less, one pack may well charge another (common practice, no source)


@dataclass(frozen=True, slots=True)
class Flowing:
    """The current of some packs: their bank, how it is mapped, and the mean of that in A.

    The mean is 0 where the current changed its direction meanwhile.
    """

    bank: str
    pack: str
    mapped: Mapped
    mean_a: float


def agreed(currents: Sequence[Flowing]) -> list[Mapped]:
    """The same currents, in the same order; those of unknown sign go with those that are known."""
    return [_with_others(one, currents) for one in currents]


def _with_others(one: Flowing, currents: Sequence[Flowing]) -> Mapped:
    mapped = one.mapped
    known = [
        c
        for c in currents
        if c.bank == one.bank and c.mapped.size_certainty is None and abs(c.mean_a) >= LEAST_FLOW_A
    ]
    charging = {c.mean_a > 0 for c in known}
    if mapped.size_certainty is None or len(charging) != 1 or abs(one.mean_a) < LEAST_FLOW_A:
        return mapped
    charges = charging.pop()
    turn = 1.0 if (one.mean_a > 0) is charges else -1.0
    word = "charges" if charges else "discharges"
    why = f"{mapped.reason.partition('; ')[0]}; by {known[0].pack}, which {word} on the same bus"
    return replace(
        mapped,
        scale=mapped.scale * turn,
        certainty=least(mapped.size_certainty, Certainty.LIKELY),
        reason=why,
        size_certainty=None,
    )
