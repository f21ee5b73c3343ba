"""Findings as sentences: what to do first across the packs, and a paragraph for each."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from watchd.report.findings.finding import Finding, Standing, urgency
from watchd.report.writing import listed

MOST_FIRST = 5
_NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")
_SENTENCE = re.compile(r"[^.]+\.")


@dataclass(frozen=True, slots=True)
class Part:
    """A part of it: what it is about, in a word or two, and its sentences."""

    lead: str
    text: str
    kind: str  # well, not-well, not-known or to-do


@dataclass(frozen=True, slots=True)
class Paragraph:
    """What is said of a pack or bank."""

    name: str
    parts: tuple[Part, ...]


def to_do(findings: Sequence[Finding]) -> list[Finding]:
    """What a person should do, the most urgent first; of equal ones as they came."""
    asked = (f for f in findings if f.standing is Standing.ACT and f.do)
    return sorted(asked, key=urgency)


def opening(findings: Sequence[Finding], packs: int) -> str:
    """The first sentence of the report, from all that was found."""
    asked = to_do(findings)
    if not asked:
        of = "the pack" if packs == 1 else f"the {number_word(packs).lower()} packs"
        said = f"Nothing has to be done at {of}, as far as this report can see."
        standings = [f.standing for f in findings]
        little = standings.count(Standing.UNKNOWN) > standings.count(Standing.WELL)
        return f"{said} Much is not known yet." if little else said
    subjects = list(dict.fromkeys(f.name for f in asked))
    things = "thing wants" if len(asked) == 1 else "things want"
    return (
        f"{number_word(len(asked))} {things} doing, at {listed(subjects)}. First, {asked[0].name}: "
        f"{_lower(asked[0].what)}"
    )


def more_to_do(asked: Sequence[Finding]) -> str:
    """What the list leaves out; empty where it leaves nothing out."""
    left = len(asked) - MOST_FIRST
    if left <= 0:
        return ""
    return f"{number_word(left)} more can wait, and {'stands' if left == 1 else 'stand'} below."


def number_word(number: int) -> str:
    """A small number as a word.

    >>> number_word(3), number_word(12)
    ('Three', '12')
    """
    return _NUMBERS[number] if number < len(_NUMBERS) else str(number)


def paragraph(name: str, findings: Sequence[Finding]) -> Paragraph:
    """Well, not well, not known, and first to do, with the caution that goes with it."""
    by = {standing: [f for f in findings if f.standing is standing] for standing in Standing}
    asked = to_do(findings)
    not_well = [*sorted(by[Standing.ACT], key=urgency), *by[Standing.WATCH]]
    parts = [
        Part("Well", _said(by[Standing.WELL]), "well"),
        Part("Not well", _said(not_well), "not-well"),
        Part("Not known", _said(by[Standing.UNKNOWN]), "not-known"),
    ]
    if asked:
        parts.append(Part("First to do", f"{asked[0].do} {asked[0].caution}".strip(), "to-do"))
    elif watched := [f.do for f in by[Standing.WATCH] if f.do]:
        parts.append(Part("To keep an eye on", " ".join(watched), "to-do"))
    return Paragraph(name, tuple(part for part in parts if part.text))


def _said(findings: Sequence[Finding]) -> str:
    return " ".join(finding.what for finding in findings)


def said_once(cautions: Sequence[str]) -> str:
    """Cautions joined; a sentence that several have stands once."""
    sentences = (s for text in cautions for s in _SENTENCE.findall(text))
    return " ".join(dict.fromkeys(s.strip() for s in sentences))


def _lower(sentence: str) -> str:
    """A sentence that goes on after a colon; a name or a short form keeps its capital."""
    first = sentence.split(" ", 1)[0]
    return sentence if first.isupper() else sentence[:1].lower() + sentence[1:]
