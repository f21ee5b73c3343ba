"""Many conditions over the same figures, compiled into one function.

To call a function costs more than most conditions do, and a look at figures mostly finds that none
of them is true.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from watchd.figures import Value
from watchd.language.code import function
from watchd.language.expression import Expression

Truths = tuple[bool | None, ...]
Seen = Mapping[str, Value]


def compile_stirring(
    groups: Iterable[tuple[int, Sequence[Expression]]],
) -> Callable[[Seen], list[int]]:
    """A function that gives the numbers of groups in which a condition is known to be true.

    Raises ValueError for a condition with windows, whose values are not in the figures.
    """
    lines = ["found = []"]
    every: list[Expression] = []
    for number, conditions in groups:
        test = " or ".join(condition.true for condition in conditions)
        lines += [f"if {test}:", f"    found.append({number})"]
        every += conditions
    return function("f", _names(every), [*lines, "return found"])


def compile_true(condition: Expression) -> Callable[[Seen], bool]:
    """A function that tells whether a condition is known to be true, and stops where it is not.

    Raises ValueError for a condition with windows.
    """
    return function("f", _names([condition]), [f"return {condition.true}"])


def compile_truths(conditions: Sequence[Expression]) -> Callable[[Seen], Truths]:
    """A function that gives the truth of each: True, False, or None for unknown.

    Raises ValueError for a condition with windows.
    """
    values = "".join(f"{condition.value}, " for condition in conditions)
    return function("f", _names(conditions), [f"return ({values})"])


def _names(conditions: Iterable[Expression]) -> dict[str, None]:
    names: dict[str, None] = {}
    for condition in conditions:
        if condition.calls:
            raise ValueError(f"'{condition.text}' has windows")
        names.update(dict.fromkeys(condition.names))
    return names
