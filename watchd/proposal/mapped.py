"""What a proposal is made of: each mapped value with its reason, packs, banks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from watchd.proposal.address import Address
from watchd.proposal.guess import Certainty


@dataclass(frozen=True, slots=True)
class Mapped:
    """One telemetry name of a group of packs: where it stands, how it is turned into ours, why."""

    name: str
    template: Address  # with holes for the pack, and for the number of a cell or probe
    scale: float
    offset: float
    certainty: Certainty
    reason: str
    fill: tuple[str, ...] = ()  # what goes into the hole of the numbers, in order
    capture: str | None = None  # cell or sensor, where the topic has that hole
    place: int | None = None  # of that hole
    words: dict[str, str] = field(default_factory=dict)  # of protection: theirs to event
    when_true: str | None = None
    # Of a current whose sign did not show: how sure its size is.
    size_certainty: Certainty | None = None

    def as_data(self) -> dict[str, Any]:
        """For a program."""
        return {
            "name": self.name,
            "scale": self.scale,
            "offset": self.offset,
            "certainty": str(self.certainty),
            "reason": self.reason,
            **({"words": self.words} if self.words else {}),
            **({"when_true": self.when_true} if self.when_true else {}),
        }


@dataclass(frozen=True, slots=True)
class Unused:
    """What was seen and is not mapped."""

    where: str
    seen: str


@dataclass(frozen=True, slots=True)
class ProposedPack:
    """A pack: our name, theirs, its bank, its cells."""

    name: str
    theirs: str
    bank: str
    cells_in_series: int
    certainty: Certainty
    reason: str


@dataclass(frozen=True, slots=True)
class ProposedSource:
    """One entry of `sources`."""

    topic: str
    pack: str | None
    pack_names: dict[str, str]
    entries: tuple[tuple[str | None, Mapped], ...]  # JSONPath (None: plain value), and what it is
    first_cell: int = 1
    stale_after_s: float | None = None

    @property
    def is_plain(self) -> bool:
        """Whether the payload is one plain value."""
        return self.entries[0][0] is None


@dataclass(frozen=True, slots=True)
class ProposedLayout:
    """The packs that have one layout, and the sources of it."""

    packs: tuple[ProposedPack, ...]
    sources: tuple[ProposedSource, ...]
    mapped: tuple[Mapped, ...]
    unused: tuple[Unused, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Proposal:
    """All of it."""

    banks: dict[str, tuple[int, str]]  # cells in series, and why it is a bank of its own
    layouts: tuple[ProposedLayout, ...]
    topics: int
    messages: int
    notes: tuple[str, ...] = ()

    @property
    def packs(self) -> tuple[ProposedPack, ...]:
        """Of all layouts."""
        return tuple(p for layout in self.layouts for p in layout.packs)
