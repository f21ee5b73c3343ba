"""What every drawing has beside its picture."""

from __future__ import annotations

from typing import ClassVar, Protocol

from watchd.report.table import Table


class Shown(Protocol):
    """The numbers of one drawing."""

    title: ClassVar[str]

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to draw."""

    @property
    def sentence(self) -> str:
        """What it shows, with the numbers that matter; or why it is empty."""

    @property
    def key(self) -> str:
        """How its lines and marks are told apart."""

    @property
    def table(self) -> Table:
        """The numbers."""
