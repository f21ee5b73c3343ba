"""Texts with figures in them: `{pack}: cell {cell_max_no:.0f} leads at {cell_max_v:.3f} V`."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from string import Formatter

from watchd.errors import nearest
from watchd.figures import Value

LONGEST_TEXT = 1000
_SPEC = re.compile(r"\+?,?(\.\d{1,2})?[fg]?")


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
    """Check the names and formats of a text. Raises ValueError with a sentence for the user."""
    if len(text) > LONGEST_TEXT:
        raise ValueError(f"longer than {LONGEST_TEXT} characters")
    parts: list[tuple[str, str | None, str]] = []
    for literal, name, spec, conversion in Formatter().parse(text):
        if name is not None:
            if name not in names:
                raise ValueError(f"unknown name '{name}'; {nearest(name, sorted(names))}")
            if conversion or not _SPEC.fullmatch(spec or ""):
                raise ValueError(
                    f"'{{{name}:{spec}}}' has a format that is not supported; "
                    "write for example ':.0f' or ':.3f'"
                )
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
    return format(value, spec) if spec else format(round(value, 4), "g")
