"""Texts with figures in them: `{pack}: cell {cell_max_no:.0f} leads at {cell_max_v:unit}`.

`:unit` writes a number with its unit, rounded as the trade does, and a time as a duration. What
stands in square brackets with a name is left out where a value in it is unknown:
`{pack}: {current_a:unit}[ at {temperature_min_degc:unit}]`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from string import Formatter

from watchd.errors import nearest
from watchd.figures import Figure, Value
from watchd.language.trade import show_amount

LONGEST_TEXT = 1000
UNIT = "unit"
_OPTIONAL = re.compile(r"\[([^\[\]]*\{[^\[\]]*)\]")
_SPEC = re.compile(r"(\+?)(,?(?:\.\d{1,2})?[fg]?)")


class TextError(ValueError):
    """A text that is not accepted: what is wrong, and where in the text (0-based).

    `name` is the name that is not known, where that is what is wrong.
    """

    def __init__(self, what: str, start: int = 0, width: int = 1, name: str | None = None) -> None:
        super().__init__(what)
        self.what, self.start, self.width, self.name = what, start, width, name


Piece = tuple[str, str | None, str]  # literal text, name, format


@dataclass(frozen=True, slots=True)
class Template:
    """A text whose names were checked when it was loaded. `parts` are all of its pieces."""

    text: str
    parts: tuple[Piece, ...]
    clauses: tuple[tuple[tuple[Piece, ...], bool], ...]  # whether a clause may be left out
    units: Mapping[str, str]

    @property
    def names(self) -> frozenset[str]:
        """Those that the text shows."""
        return frozenset(name for _, name, _ in self.parts if name is not None)

    def fill(self, values: Mapping[str, Value]) -> str:
        """The text with its values; what is unknown reads `unknown`, or its clause is left out."""
        out = []
        for pieces, optional in self.clauses:
            if optional and any(n is not None and values.get(n) is None for _, n, _ in pieces):
                continue
            for literal, name, spec in pieces:
                out.append(literal)
                if name is not None:
                    out.append(show_value(values.get(name), spec, self.units.get(name, "")))
        return "".join(out)


def compile_text(text: str, names: Collection[str] | Mapping[str, Figure]) -> Template:
    """Check the names and formats of a text. Raises TextError.

    `names` are figures where `:unit` is to know the unit of each.
    """
    if len(text) > LONGEST_TEXT:
        raise TextError(f"longer than {LONGEST_TEXT} characters")
    clauses: list[tuple[tuple[Piece, ...], bool]] = []
    for number, clause in enumerate(_OPTIONAL.split(text)):
        pieces = _pieces(text, clause, names)
        if pieces:
            clauses.append((pieces, number % 2 == 1))
    figures = names if isinstance(names, Mapping) else {}
    parts = tuple(piece for pieces, _ in clauses for piece in pieces)
    shown = (name for _, name, _ in parts if name is not None)
    units = {name: figures[name].unit for name in shown if name in figures}
    return Template(text, parts, tuple(clauses), units)


def _pieces(text: str, clause: str, names: Collection[str]) -> tuple[Piece, ...]:
    """The pieces of a clause of a text, each checked."""
    found: list[Piece] = []
    try:
        pieces = list(Formatter().parse(clause))
    except ValueError:
        raise TextError("a brace that does not close, or closes nothing; {{ is a brace") from None
    for literal, name, spec, conversion in pieces:
        if name is not None:
            start = text.index("{" + name) + 1
            if name not in names:
                hint = nearest(name, sorted(names), many="`watchd fields` lists the names")
                raise TextError(f"unknown name '{name}'; {hint}", start, len(name), name)
            if conversion or not (spec == UNIT or _SPEC.fullmatch(spec or "")):
                written = name + (f"!{conversion}" if conversion else f":{spec}")
                what = (
                    f"'{{{written}}}' has a format that is not supported; "
                    "write for example ':.0f', ':.3f' or ':unit'"
                )
                raise TextError(what, max(start, text.find(written)), len(written))
        found.append((literal, name, spec or ""))
    return tuple(found)


def show_value(value: Value, spec: str = "", unit: str = "") -> str:
    """A value as a person reads it. `unit` is that of `:unit`."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if isinstance(value, tuple):
        return ", ".join(value) or "none"
    if spec == UNIT:
        return show_amount(float(value), unit)
    if not spec:
        return format(round(value, 4), "z.10g")
    # z: what rounds to nothing has no sign, "0 A" and not "-0 A".
    return format(float(value), _SPEC.sub(r"\1z\2", spec, count=1))
