"""What a message brought of a pack, for the history."""

from __future__ import annotations

from dataclasses import dataclass

from watchd.figures import Value
from watchd.telemetry.sample import Sample


@dataclass(frozen=True, slots=True)
class Measured:
    """A sample that a message renewed. `at` is what the system's clock shows (Unix s), which a
    sample's own times do not follow when it is set.
    """

    pack: str
    at: float
    sample: Sample
    soc_estimate_pct: Value
