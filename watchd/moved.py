"""What a part of a replay tells the process that puts the parts together again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from watchd.advice.advice import Advised
from watchd.alarms.state import Transition

# The time it is for, and the place of its subject in the row of all that are watched.
Turn: TypeAlias = tuple[float, int]
Turns: TypeAlias = tuple[list[tuple[Turn, Transition]], list[tuple[Turn, Advised]]]


@dataclass(frozen=True, slots=True)
class Moved:
    """What a part tells of one message: what time had brought until then, and what came of it.

    `number` counts the messages of all parts from 1; `before_at` is the time of the one before.
    """

    number: int
    at: float
    before_at: float
    by_time: Turns
    by_message: Turns
