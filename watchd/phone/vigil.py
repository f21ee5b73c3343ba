"""Whether watchd is heard: what the phone is told when it is not, and when it is again.

Times are seconds of a clock that only goes up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from watchd.durations import show_duration

# watchd renews its record each minute; one that is missed is no news.
RENEWED_WITHIN_S = 150.0


class Told(StrEnum):
    """What the phone was told last."""

    WELL = "well"
    LOST = "lost"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Word:
    """What the phone is to be told of watchd itself."""

    priority: str
    title: str
    body: str


class Vigil:
    """Hears the service's record and the link, and says what is to be told.

    `after_s`: so long it must have been wrong. `told` outlives the process, so that what was told
    is not told again.
    """

    def __init__(self, after_s: float, now: float, told: Told = Told.WELL) -> None:
        self.told = told
        self._after_s = after_s
        self._has_link = False
        self._state: str | None = None
        self._heard_at = now
        self._wrong_since: float | None = now  # until it is heard
        self._why = "the broker cannot be reached"

    def link(self, now: float, *, stands: bool) -> None:
        """The link to the broker stands, or does not."""
        self._has_link = stands
        if not stands:
            self._state = None
            self._wrong(now, "the broker cannot be reached")
        elif self._state is None:
            # The silence goes on, whichever of the two is the cause.
            self._heard_at = now
            self._wrong(now, "the broker is there, but knows nothing of watchd")

    def hears(self, record: Mapping[str, Any] | None, now: float) -> None:
        """The service's record came; None: it was taken away, or is none."""
        self._heard_at = now
        state = record.get("state") if record is not None else None
        self._state = state if isinstance(state, str) else None
        if state in ("running", "stopped"):
            self._wrong_since = None
            if state == "stopped":
                self._wrong(now, "stopped")
        else:
            self._wrong(now, "the broker says that its link broke (it may have no power)")

    def look(self, now: float) -> Word | None:
        """What is to be told now. Once said, it is taken for told."""
        if self._state == "running" and now - self._heard_at > RENEWED_WITHIN_S:
            self._state = None
            self._wrong(self._heard_at, "it says nothing any more, though the broker is there")
        if self._state == "running" and self._has_link:
            return self._well()
        if self._wrong_since is None or now - self._wrong_since < self._after_s:
            return None
        if self._state == "stopped":
            return self._stopped()
        if self.told is Told.LOST:
            return None
        self.told = Told.LOST
        silent = show_duration(round(now - self._wrong_since))
        return Word(
            "high",
            "watchd is not heard",
            f"For {silent} nothing is known of the bank: {self._why}.\n"
            "The BMSs protect the packs as before; nobody is told of what watchd would see. Look "
            "at the computer, its power and its network.",
        )

    def _well(self) -> Word | None:
        if self.told is Told.WELL:
            return None
        self.told = Told.WELL
        return Word("medium", "watchd is back", "It watches the bank again.")

    def _stopped(self) -> Word | None:
        if self.told is Told.STOPPED:
            return None
        self.told = Told.STOPPED
        return Word("low", "watchd was stopped", "On purpose. Nobody watches until it is started.")

    def _wrong(self, now: float, why: str) -> None:
        self._why = why
        if self._wrong_since is None:
            self._wrong_since = now
