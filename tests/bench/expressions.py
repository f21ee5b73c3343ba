"""Time to refuse or to evaluate hostile conditions, against the goal of 10 ms each. Prints, asserts
nothing; run it from the project's root with `python -m tests.bench.expressions [N]`.
"""

from __future__ import annotations

import gc
import statistics
import sys
import time
from random import Random

from tests.language.conditions import Author
from tests.language.hostile import Vandal
from tests.language.vocabulary import FIGURES
from watchd.figures import Figures
from watchd.language.condition import Condition
from watchd.language.expression import ExpressionError, compile_expression

GOAL_MS = 10.0
# What is slow once may be the machine; slow five times is the condition.
REPEATS = 5
SUSPECT_MS = 5.0


def spent_ms(text: str, figures: Figures) -> tuple[float, bool]:
    """Time to take or refuse a text, and to evaluate it if taken; and whether it was."""
    begin = time.perf_counter()
    try:
        condition = Condition(compile_expression(text, FIGURES, want=None))
        condition.update(0.0, figures)
        taken = True
    except ExpressionError:
        taken = False
    return (time.perf_counter() - begin) * 1000, taken


def shown(text: str) -> str:
    """The beginning of a text."""
    return f"{text[:60]!a}{'...' if len(text) > 60 else ''} ({len(text)} characters)"


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    rng = Random(61508)
    vandal, author = Vandal(rng), Author(rng)
    times: list[tuple[float, str]] = []
    accepted = 0
    gc.disable()
    for number in range(count):
        text, figures = vandal.text(), author.figures()
        spent, taken = spent_ms(text, figures)
        if spent > SUSPECT_MS:
            spent = min(spent, *(spent_ms(text, figures)[0] for _ in range(REPEATS - 1)))
        accepted += taken
        times.append((spent, text))
        if number % 1000 == 0:
            gc.collect()
    times.sort(key=lambda item: -item[0])
    spent_all = [spent for spent, _ in times]
    print(f"{count} hostile conditions, {accepted} taken and evaluated, the rest refused")
    print(f"slowest:  {spent_all[0]:7.2f} ms (goal: at most {GOAL_MS:g})")
    print(f"99.9 %:   {spent_all[count // 1000]:7.2f} ms")
    print(f"mean:     {statistics.fmean(spent_all):7.2f} ms")
    print(f"over {GOAL_MS:g} ms: {sum(spent > GOAL_MS for spent in spent_all)}")
    for spent, text in times[:12]:
        print(f"  {spent:6.2f}  {shown(text)}")


if __name__ == "__main__":
    main()
