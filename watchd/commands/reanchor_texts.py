"""What `watchd reanchor` prints: for a narrow terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from watchd.commands.columns import paragraph

_NEEDED = {True: "to be re-anchored", False: "nothing to re-anchor", None: "not known yet"}


def lines(told: dict[str, Any]) -> Iterator[str]:
    """Where it is, or whether it is needed and how."""
    if "step" in told:
        yield from _step_lines(told["step"])
        yield from paragraph(told["now"], "", "")
        return
    yield f"{told['pack']}: {_NEEDED[told['needed']]}"
    for sentence in (*told["assessment"], told["now"]):
        yield from paragraph(sentence, "", "")
    if told["records"]:
        yield ""
        yield from paragraph(f"Last time: {told['records'][-1]['text']}", "", "")
    if "warning" in told:
        yield ""
        yield "Before you begin:"
        for sentence in told["warning"]:
            yield from paragraph(sentence, "- ", "  ")
        return
    if told["ways"]:
        yield from _ways_lines(told)


def _step_lines(step: dict[str, Any]) -> Iterator[str]:
    since = step["since"][:16].replace("T", " ")
    yield f"{step['pack']}: {_words(step['way'])}, {_words(step['step'])}"
    yield f"since {since} UTC"
    for label, key in (
        ("Do now", "do"),
        ("Why", "why"),
        ("watchd waits for", "waits_for"),
        ("Then", "next"),
        ("Caution", "caution"),
    ):
        if key in step:
            yield ""
            yield f"{label}:"
            yield from paragraph(step[key], "  ", "  ")
    yield ""


def _ways_lines(told: dict[str, Any]) -> Iterator[str]:
    yield ""
    yield "The ways, the mildest first:"
    for number, way in enumerate(told["ways"], 1):
        yield f"{number}. {_words(way['way'])}: {'open' if way['open'] else 'passed over'}"
        yield from paragraph(way["text"], "   ", "   ")
        for reason in way["reasons"]:
            yield from paragraph(reason, "   - ", "     ")
    yield ""
    yield from paragraph(next(w["caution"] for w in told["ways"] if "caution" in w), "", "")
    mildest = next((way for way in told["ways"] if way["open"]), None)
    if mildest is not None and told["needed"]:
        yield ""
        way = mildest["way"].replace("_", "-")
        yield "Begin with the mildest:"
        yield f"  watchd reanchor {told['pack']} begin --way {way}"


def _words(name: str) -> str:
    return name.replace("_", " ")
