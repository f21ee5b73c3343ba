"""Durations as people write them: `30 s`, `5 min`, `2 h`, `14 d`. Inside they are seconds."""

from __future__ import annotations

import re

SECONDS = {"s": 1, "min": 60, "h": 3600, "d": 86400}
_FORM = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)")
LONGEST_S = 10 * 366 * 86400.0


def parse_duration(text: str) -> float:
    """Seconds of a duration such as `90 s` or `1.5 h`.

    Raises ValueError with a sentence for the user where the text is not one.

    >>> parse_duration("5 min")
    300.0
    """
    match = _FORM.fullmatch(text.strip())
    if match is None:
        raise ValueError(
            f"'{text}' is not a duration; write a number and s, min, h or d, such as '30 s'"
        )
    seconds = float(match[1]) * SECONDS[match[2]]
    if seconds > LONGEST_S:
        raise ValueError(f"'{text}' is longer than ten years")
    return seconds


def show_duration(seconds: float) -> str:
    """The same the other way, with the largest unit that leaves a short number.

    >>> show_duration(7200), show_duration(90), show_duration(200)
    ('2 h', '90 s', '3.3 min')
    """
    for unit, size in reversed(SECONDS.items()):
        if seconds >= 2 * size or (seconds >= size and seconds % size == 0):
            return f"{round(seconds / size, 1):g} {unit}"
    return f"{round(seconds, 1):g} s"
