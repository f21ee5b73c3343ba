"""What the alarms of one subject share: the figures seen last, and which of them were woken."""

from __future__ import annotations

from dataclasses import dataclass, field

from watchd.figures import Figures


@dataclass(slots=True)
class Roll:
    """`figures` are those of the last evaluation; `woken` the places of alarms that moved since
    then other than by figures (a person, or what covers them), and are looked at from now on;
    `apart` those whose parts were looked at by themselves, not together with all.
    """

    figures: Figures = field(default_factory=dict)
    woken: list[int] = field(default_factory=list)
    apart: list[int] = field(default_factory=list)
