"""Whether a pack is heard, for the log and the service manager."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Heard:
    """Whether telemetry of a pack is fresh, and when the newest was measured (kept time, Unix s;
    None where none has come).
    """

    fresh: bool
    last_at: float | None
