"""What a figure is: a named value with a unit, that rules can use and topics carry.

Each module that computes figures declares them beside the code that does; `rules.fields`
gathers them. A figure that is not known has the value None, never a number that stands
for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

# One value of a figure. A list of words (such as protection events) is a tuple of text.
Value = float | int | bool | str | tuple[str, ...] | None
Figures = dict[str, Value]


class Kind(StrEnum):
    """What sort of value a figure or an expression has."""

    NUMBER = "number"
    YES_NO = "yes/no"
    TEXT = "text"
    WORDS = "list of words"


class About(StrEnum):
    """What a rule or a figure is about."""

    BANK = "bank"
    PACK = "pack"
    CELL = "cell"
    SERVICE = "service"  # watchd itself


# How the unit at the end of a name is written for people.
_SIGNS = {
    "v": "V",
    "mv": "mV",
    "a": "A",
    "ah": "Ah",
    "wh": "Wh",
    "w": "W",
    "pct": "%",
    "degc": "°C",
    "mohm": "mΩ",
}


def unit_sign(unit: str) -> str:
    """A unit as people write it: `mV` for the `mv` of a name."""
    return _SIGNS.get(unit, unit)


@dataclass(frozen=True, slots=True)
class Figure:
    """One name of the field list. `unit` is "" where the value has none."""

    name: str
    unit: str
    kind: Kind
    meaning: str
    about: About = About.PACK
    words: tuple[str, ...] = ()  # for text with a fixed set of values
    # What a number can be at all, in its unit; None where nothing bounds it.
    low: float | None = None
    high: float | None = None
    noisy: bool = False  # a measurement, or computed from one sample by sample


def rounded(figures: Figures) -> Figures:
    """Figures as they are published: no digit that no sensor could have seen."""
    return {n: round(v, 6) if isinstance(v, float) else v for n, v in figures.items()}


def number(
    name: str,
    unit: str,
    meaning: str,
    about: About = About.PACK,
    *,
    within: tuple[float | None, float | None] = (None, None),
    noisy: bool = False,
) -> Figure:
    """A figure that is a number in `unit`, and `within` what it can be at all.

    A standard error is never negative. A range that is too narrow would call a good rule a mistake,
    so it holds only what is sure.
    """
    low, high = within
    if low is None and "_sigma_" in name:
        low = 0.0
    return Figure(name, unit, Kind.NUMBER, meaning, about, low=low, high=high, noisy=noisy)


def yes_no(name: str, meaning: str, about: About = About.PACK) -> Figure:
    """A figure that is true or false."""
    return Figure(name, "", Kind.YES_NO, meaning, about)


def text(name: str, meaning: str, words: tuple[str, ...] = (), about: About = About.PACK) -> Figure:
    """A figure that is a word or a sentence; `words` are its only values, if any are given."""
    return Figure(name, "", Kind.TEXT, meaning, about, words)
