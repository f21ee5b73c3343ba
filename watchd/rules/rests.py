"""What a rule rests on: measurements, or word of whether there are any.

Of a pack that sends nothing, what rests on its measurements says nothing new; a rule that itself
asks whether it sends is the one that is told.
"""

from __future__ import annotations

import ast
from functools import lru_cache

from watchd.estimators import BANK_FIGURES, CELL_FIGURES, PACK_FIGURES
from watchd.estimators.quality import freshness, rhythm
from watchd.figures import About
from watchd.language.parts import parsed
from watchd.rules.rule import Rule
from watchd.telemetry.names import TELEMETRY

ASKS_OF_PACK = frozenset(f.name for f in (*freshness.FIGURES, *rhythm.FIGURES))
ASKS_OF_BANK = frozenset({"packs_silent", "packs_fresh"})
_OF_PACK = frozenset(f.name for f in (*TELEMETRY, *PACK_FIGURES, *CELL_FIGURES))
_OF_BANK = frozenset(f.name for f in BANK_FIGURES)


def asks_for_silence(rule: Rule) -> bool:
    """Whether its condition names how fresh telemetry is."""
    asked = ASKS_OF_BANK if rule.about is About.BANK else ASKS_OF_PACK
    return not asked.isdisjoint(_names(rule.when.text))


def rests_on_telemetry(rule: Rule) -> bool:
    """Whether its condition names what is measured, or computed from it, and not its freshness."""
    measured = _OF_BANK if rule.about is About.BANK else _OF_PACK
    return not measured.isdisjoint(_names(rule.when.text)) and not asks_for_silence(rule)


@lru_cache(maxsize=1000)
def _names(text: str) -> frozenset[str]:
    """Of figures, also those inside of functions. It is asked for each alarm of a rule."""
    tree = parsed(text)
    return frozenset(node.id for node in ast.walk(tree) if isinstance(node, ast.Name))
