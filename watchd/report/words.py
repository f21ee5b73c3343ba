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


def opening(asked: Sequence[Finding], packs: int) -> str:
    """The first sentence of the report."""
    of = "the pack" if packs == 1 else f"the {packs} packs"
    if not asked:
        return f"Nothing has to be done at {of}, as far as this report can see."
    subjects = list(dict.fromkeys(f.name for f in asked))
    number = _NUMBERS[len(asked)] if len(asked) < len(_NUMBERS) else str(len(asked))
    things = f"{number} {'thing wants' if len(asked) == 1 else 'things want'}"
    return f"{things} doing, at {listed(subjects)}. First, {asked[0].name}: {_lower(asked[0].what)}"


def more_to_do(asked: Sequence[Finding]) -> str:
    """What the list leaves out; empty where it leaves nothing out."""
    left = len(asked) - MOST_FIRST
    if left <= 0:
        return ""
    number = _NUMBERS[left] if left < len(_NUMBERS) else str(left)
    return f"{number} more can wait, and {'stands' if left == 1 else 'stand'} below."


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
