"""What an estimator is, and what the config says of the pack that it watches."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from watchd.figures import Figures
from watchd.telemetry.sample import Sample

if TYPE_CHECKING:
    from watchd.config import Bank, Pack, Profile
    from watchd.language.expression import Expression


@dataclass(slots=True)
class Bus:
    """The currents of the packs on one DC bus, so that each can be held against the others.

    Each pack's estimators write what they see of their own pack: the mean of its current in each of
    the last minutes (by number, since 1970), None where it is not known.
    """

    minutes: dict[str, dict[int, float | None]] = field(default_factory=dict)
    nameplate_ah: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Setting:
    """What an estimator is told of its pack. Times in s, charge in Ah."""

    name: str
    pack: Pack
    bank: Bank
    profile: Profile
    bus: Bus
    full_when: Expression
    longest_gap_s: float  # a current holds no longer than this without a new one
    parts_within_s: float  # measurements so far apart belong to one moment

    @property
    def nameplate_ah(self) -> float:
        """Rated capacity."""
        return self.pack.nameplate_ah

    @property
    def cells(self) -> int:
        """Cells in series."""
        return self.pack.cells_in_series


class Estimator(Protocol):
    """One figure, or a few that belong together, from the samples of one pack.

    Work and memory are constant per sample. `update` gets the same mapping each time, in which
    figures stay: its first writes every figure that its module declares, None where it is not
    known, the later ones at least those that have changed. It may read those of the estimators
    before it. `saved` is a snapshot, plain data of JSON's kinds, of an estimator of the same class.
    """

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None: ...

    def update(self, sample: Sample, figures: Figures) -> None:
        """Take a sample and write the figures."""

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""


class CellEstimator(Estimator, Protocol):
    """An estimator that also tells of each cell what it told of the pack's worst."""

    def of_cell(self, cell: int) -> Figures:
        """The `CELL_FIGURES` of its module for the 0-based `cell`, as of the last sample."""
