"""Numbers and lengths of time as they stand in sentences and tables."""

from __future__ import annotations

MINUS = "\N{MINUS SIGN}"
UNKNOWN = "\N{EN DASH}"
_DAY_S = 86400.0


def shown(value: float | None, form: str = ".0f") -> str:
    """A number, or a dash where it is not known. A minus is a minus, and zero has none.

    >>> shown(1.26, "+.1f"), shown(-0.001, ".2f")
    ('+1.3', '0.00')
    """
    if value is None:
        return UNKNOWN
    text = f"{value:{form}}"
    if not text.startswith(("-", "+")):
        return text
    sign, digits = text[0], text[1:]
    if not any(c in "123456789" for c in digits):
        return digits
    return (MINUS if sign == "-" else sign) + digits


def count(number: int, one: str, many: str = "") -> str:
    """How many of a thing.

    >>> count(1, "trip"), count(0, "trip")
    ('1 trip', 'no trips')
    """
    return f"{number or 'no'} {one if number == 1 else many or one + 's'}"


def lasted(seconds: float) -> str:
    """A length of time.

    >>> lasted(2400), lasted(18000), lasted(1036800)
    ('40 min', '5 h', '12 days')
    """
    if seconds < 5400:
        return f"{max(1, round(seconds / 60))} min"
    if seconds < 48 * 3600:
        return f"{round(seconds / 3600)} h"
    return f"{round(seconds / _DAY_S)} days"


def listed(words: list[str]) -> str:
    """Words in a row.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join([*([", ".join(words[:-1])] if len(words) > 1 else []), words[-1]])
