"""The numbers behind a drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Table:
    """A head and rows; the first column names the row."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    """From any sequences."""
    return Table(tuple(head), tuple(tuple(row) for row in rows))
