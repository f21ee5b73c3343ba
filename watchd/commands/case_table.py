"""Boundary cases as a table that a phone shows: no line is longer than it must be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap

from watchd.rules.boundaries import Boundaries, Boundary, Case

WIDTH = 60


def print_cases(every: Sequence[Boundaries]) -> None:
    """Rule by rule: what each value about a limit, and each time about a delay, comes to."""
    for boundaries in every:
        print()
        print(boundaries.rule.name)
        if not boundaries.found:
            print("  no example that is raised gives every figure of it")
        example = None
        for found in boundaries.found:
            if found.example not in (None, example):
                example = found.example
                print(f"  about example {example}, one figure at a time:")
            _print_lines(found.about, 2)
            for line in _lines(found):
                _print_lines(line, 4)
    print()


def _lines(found: Boundary) -> Iterator[str]:
    if found.cases:
        yield _joined(found.cases, "raised", "quiet")
    if found.returns:
        yield f"then {_joined(found.returns, 'stays', 'returns')}"
    if found.note:
        yield found.note


def _joined(cases: Sequence[Case], raised: str, quiet: str) -> str:
    return ", ".join(f"{case.value} {raised if case.raised else quiet}" for case in cases)


def _print_lines(text: str, indent: int) -> None:
    space = " " * indent
    lines = wrap(text, WIDTH, initial_indent=space, subsequent_indent=space + "  ")
    for line in lines:
        print(line)
