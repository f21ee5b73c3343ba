"""Chattering: an alarm that is raised again and again within a minute.

The standards leave the number open. Three activations within 60 s is the working rule of several
handbooks on alarm management; that it ends after ten steady minutes is ours.
"""

from __future__ import annotations

from typing import Any

RAISES = 3
WITHIN_S = 60.0
STEADY_AFTER_S = 600.0


class Chatter:
    """Watches the moments at which one alarm is raised.

    `is_told` says whether people have heard of it since it began to chatter. It may begin while
    the alarm is shelved or suppressed, and nobody knows then.
    """

    __slots__ = ("_raised_at", "is_chattering", "is_told")

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._raised_at: tuple[float, ...] = tuple(known.get("raised_at", ()))
        self.is_chattering: bool = known.get("is_chattering", False)
        self.is_told: bool = known.get("is_told", False)

    def snapshot(self) -> dict[str, Any] | None:
        """Plain data; None for an alarm that was never raised."""
        if not self._raised_at:
            return None
        return {
            "raised_at": list(self._raised_at),
            "is_chattering": self.is_chattering,
            "is_told": self.is_told,
        }

    def raised(self, at: float) -> bool:
        """The alarm is raised; whether it chatters from now on."""
        self._raised_at = (*self._raised_at[-(RAISES - 1) :], at)
        often = len(self._raised_at) == RAISES and at - self._raised_at[0] <= WITHIN_S
        begins = often and not self.is_chattering
        self.is_chattering = self.is_chattering or often
        return begins

    def told(self) -> None:
        """People were told something of the alarm."""
        self.is_told = self.is_chattering

    def untold(self) -> None:
        """They were not, after all."""
        self.is_told = False

    def steady_at(self) -> float:
        """When it will have been steady for long enough; never if it does not chatter."""
        return self._raised_at[-1] + STEADY_AFTER_S if self.is_chattering else float("inf")

    def steadied(self) -> None:
        """It has."""
        self.is_chattering = self.is_told = False
        self._raised_at = ()
