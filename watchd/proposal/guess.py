"""A guess, how sure it is, and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum


class Certainty(StrEnum):
    """How far a guess can be relied on."""

    SURE = "sure"
    LIKELY = "likely"
    NOT_SURE = "not sure"


_ORDER = [Certainty.SURE, Certainty.LIKELY, Certainty.NOT_SURE]


def least(*of: Certainty) -> Certainty:
    """The least sure of them."""
    return max(of, key=_ORDER.index)


@dataclass(frozen=True, slots=True)
class Guess:
    """A value and its reason, in a few words with the numbers that were seen."""

    value: float
    certainty: Certainty
    reason: str


def span(values: Sequence[float], digits: int | None = None) -> str:
    """What was seen: `3325` or `3325..3341`."""
    low, high = min(values), max(values)

    def shown(value: float) -> str:
        return f"{value:.10g}" if digits is None else f"{value:.{digits}f}"

    return shown(low) if shown(low) == shown(high) else f"{shown(low)}..{shown(high)}"
