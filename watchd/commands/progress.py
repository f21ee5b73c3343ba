"""How far long work is: one line on a terminal, gone at the end. Elsewhere nothing is written.

with progress("replaying", total) as done:
    done(so_far)
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeAlias

AFTER_S = 0.5  # what takes less needs no line
EVERY_S = 0.2  # the line is written anew at most so often

# Tells that so much is done of the total (not: so much more), and perhaps where it stands.
Done: TypeAlias = Callable[..., None]


@contextmanager
def progress(what: str, total: float | None = None, *, hidden: bool = False) -> Iterator[Done]:
    """A line on standard error: `what`, how much of `total` is done, and the time that is left.

    Call what it gives with how much is done by now, in the unit of `total`, and perhaps a few
    words on where that is: `done(20_000, "2026-07-03")`. Where the total is not known (None), the
    line has the number and the words alone. `hidden`: no line, for work that prints to the same
    terminal.
    """
    if hidden or not is_watched():
        yield _nobody
        return
    from threading import RLock

    from tqdm import tqdm

    # It would start a thread that watches for slow work, and a lock for other processes.
    tqdm.monitor_interval = 0
    tqdm.set_lock(RLock())
    known = total is not None and total > 0
    with tqdm(
        desc=what,
        total=total if known else None,
        file=sys.stderr,
        leave=False,
        delay=AFTER_S,
        mininterval=EVERY_S,
        miniters=0,
        dynamic_ncols=True,
        ascii=" #",
        bar_format=(
            "{desc} {percentage:3.0f} % [{bar:20}] {remaining} left{postfix}"
            if known
            else "{desc} {n:,.0f}{postfix}"
        ),
    ) as line:

        def done(so_far: float, where: str = "") -> None:
            if where:
                line.set_postfix_str(where, refresh=False)
            line.update(so_far - line.n)

        yield done


def is_watched() -> bool:
    """Whether a person looks at standard error, on a terminal that can go back in a line."""
    # There is no colour in it, so NO_COLOR (https://no-color.org) asks for nothing.
    return sys.stderr.isatty() and os.environ.get("TERM") not in ("dumb", "")


def _nobody(so_far: float, where: str = "") -> None:
    """Takes what nobody looks at."""
