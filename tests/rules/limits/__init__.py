"""What each shipped rule does just inside and just outside each of its limits, a file a family.

A row: the rule, figures that raise it, what of them is changed, for how long, what comes of it:
in RAISES whether the rule is then raised, in RETURNS whether it has then returned. Limits follow
from the pack of 200 Ah in `test_shipped_limits`.
"""

from __future__ import annotations

import importlib
import pkgutil
from typing import Any

Row = tuple[str, dict[str, Any], dict[str, Any], str, bool]


def gathered(table: str) -> list[Row]:
    """The rows of every file here."""
    rows: list[Row] = []
    for found in sorted(m.name for m in pkgutil.iter_modules(__path__)):
        rows.extend(getattr(importlib.import_module(f"{__name__}.{found}"), table))
    return rows
