"""`watchd fields`: every name that a rule may use."""

from __future__ import annotations

import argparse
import json
from typing import Any

from watchd.commands.options import add_command
from watchd.figures import About, Figure, unit_sign
from watchd.language.functions import FUNCTIONS
from watchd.rules.fields import FIELDS

MOST_WORDS = 8  # a longer list is left to --json
_SUBJECTS = {
    About.BANK: "a bank",
    About.PACK: "a pack",
    About.CELL: "a cell (beside those of its pack)",
    About.SERVICE: "watchd itself (service)",
}


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "fields",
        "list the names that rules can use",
        "watchd fields cell_max_v\n  watchd fields spread --about cell",
    )
    parser.add_argument(
        "words", nargs="*", metavar="WORD", help="only names or meanings that have this word"
    )
    parser.add_argument(
        "--about",
        choices=[str(a) for a in About],
        help="only names for rules about it (default: all)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the list; 1 where nothing matches."""
    chosen = [About(options.about)] if options.about else list(About)
    found = [
        (a, f)
        for a in chosen
        for f in _own(a, whole=options.about is not None)
        if _matches(f, options.words)
    ]
    if options.json:
        for about, figure in found:
            print(
                json.dumps(
                    {
                        "name": figure.name,
                        "about": about,
                        "unit": figure.unit,
                        "kind": figure.kind,
                        "meaning": figure.meaning,
                        **({"words": figure.words} if figure.words else {}),
                        **({"low": figure.low} if figure.low is not None else {}),
                        **({"high": figure.high} if figure.high is not None else {}),
                        **({"noisy": True} if figure.noisy else {}),
                    }
                )
            )
        return 0 if found else 1
    width = max((len(f.name) for _, f in found), default=0)
    for about in chosen:
        figures = [f for a, f in found if a is about]
        if figures:
            print(f"For rules about {_SUBJECTS[about]}:")
            for figure in figures:
                unit = unit_sign(figure.unit) or ("-" if figure.kind == "number" else figure.kind)
                print(f"  {figure.name:<{width}} {unit:<13} {figure.meaning}{_values(figure)}")
            print()
    if not options.words:
        print("Functions, over a window that ends now:")
        for function in FUNCTIONS.values():
            print(f"  {function.form:<36} {function.meaning}")
    return 0 if found else 1


def _own(about: About, *, whole: bool) -> list[Figure]:
    figures = FIELDS[about].values()
    # Rules about cells see the pack's names too; listing them twice would hide the few of a cell.
    return [f for f in figures if whole or about is not About.CELL or f.about is About.CELL]


def _values(figure: Figure) -> str:
    """What it can be, where that is short."""
    if 0 < len(figure.words) <= MOST_WORDS:
        return f" ({', '.join(figure.words)})"
    if figure.low is not None and figure.high is not None:
        return f" ({figure.low:g} to {figure.high:g})"
    return ""


def _matches(figure: Figure, words: list[str]) -> bool:
    text = f"{figure.name} {figure.meaning}".lower()
    return all(word.lower() in text for word in words)
