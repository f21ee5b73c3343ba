"""Several runs of a table at once, one in each process."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


def in_processes(work: Callable[..., T], calls: Iterable[tuple[Any, ...]]) -> list[T]:
    """`work(*call)` for each of `calls`, in their order; `work` is a function of a module.

    The processes are begun anew: a fork of one that has threads (NumPy's have) may hang.
    """
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(mp_context=context) as pool:
        return [run.result() for run in [pool.submit(work, *call) for call in calls]]
