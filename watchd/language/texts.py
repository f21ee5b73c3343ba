"""Texts with figures in them: `{pack}: cell {cell_max_no:.0f} leads at {cell_max_v:.3f} V`."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from string import Formatter

from watchd.errors import nearest
from watchd.figures import Value

LONGEST_TEXT = 1000
_SPEC = re.compile(r"(\+?)(,?(?:\.\d{1,2})?[fg]?)")


class TextError(ValueError):
    """A text that is not accepted: what is wrong, and where in the text (0-based).

    `name` is the name that is not known, where that is what is wrong.
    """

    def __init__(self, what: str, start: int = 0, width: int = 1, name: str | None = None) -> None:
        super().__init__(what)
        self.what, self.start, self.width, self.name = what, start, width, name


@dataclass(frozen=True, slots=True)
class Template:
    """A text whose names were checked when it was loaded."""

    text: str
    parts: tuple[tuple[str, str | None, str], ...]  # literal text, name, format

    def fill(self, values: Mapping[str, Value]) -> str:
        """The text with its values; what is unknown reads `unknown`."""
        out = []
        for literal, name, spec in self.parts:
            out.append(literal)
            if name is not None:
                out.append(show_value(values.get(name), spec))
        return "".join(out)


def compile_text(text: str, names: Collection[str]) -> Template:
    """Check the names and formats of a text. Raises TextError."""
    if len(text) > LONGEST_TEXT:
        raise TextError(f"longer than {LONGEST_TEXT} characters")
    parts: list[tuple[str, str | None, str]] = []
    try:
        pieces = list(Formatter().parse(text))
    except ValueError:
        raise TextError("a brace that does not close, or closes nothing; {{ is a brace") from None
    for literal, name, spec, conversion in pieces:
        if name is not None:
            start = text.index("{" + name) + 1
            if name not in names:
                hint = nearest(name, sorted(names), many="`watchd fields` lists the names")
                raise TextError(f"unknown name '{name}'; {hint}", start, len(name), name)
            if conversion or not _SPEC.fullmatch(spec or ""):
                written = name + (f"!{conversion}" if conversion else f":{spec}")
                what = (
                    f"'{{{written}}}' has a format that is not supported; "
                    "write for example ':.0f' or ':.3f'"
                )
                raise TextError(what, max(start, text.find(written)), len(written))
        parts.append((literal, name, spec or ""))
    return Template(text, tuple(parts))


def show_value(value: Value, spec: str = "") -> str:
    """A value as a person reads it."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if isinstance(value, tuple):
        return ", ".join(value) or "none"
    if not spec:
        return format(round(value, 4), "z.10g")
    # z: what rounds to nothing has no sign, "0 A" and not "-0 A".
    return format(float(value), _SPEC.sub(r"\1z\2", spec, count=1))
