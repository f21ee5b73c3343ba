"""What is made of each pack of a bank, kept while nothing of that pack has changed.

With each message one pack is another; of the others everything stays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

from watchd.advice.advice import PackState

Made = TypeVar("Made")


class OfPacks(Generic[Made]):
    """What is made of each pack, anew only where its state is another one."""

    def __init__(self, make: Callable[[PackState], Made]) -> None:
        self._make = make
        self._states: list[PackState] = []
        self._made: list[Made] = []

    def of(self, packs: Sequence[PackState]) -> list[Made]:
        """Of each of `packs`, in their order; not to be kept."""
        states, made = self._states, self._made
        if len(states) != len(packs):
            self._states, self._made = list(packs), [self._make(state) for state in packs]
            return self._made
        for index, state in enumerate(packs):
            if state is not states[index]:
                states[index], made[index] = state, self._make(state)
        return made
