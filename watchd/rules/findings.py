"""What loads, but is likely not meant: a rule that can never be raised, a limit in the wrong unit.

Findings stop nothing. Each has its place in the file and says what would be right.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Sequence

from watchd.language.bounds import Bounds
from watchd.language.parts import Part, comparisons_in, parsed
from watchd.rules.fields import FIELDS
from watchd.rules.finding import Finding, FindingKind, at_key, at_part
from watchd.rules.impossible import Possibilities
from watchd.rules.rule import Rule


def findings_of(rules: Sequence[Rule]) -> list[Finding]:
    """The findings of all rules, rule by rule, from top to bottom in each."""
    bounds = {about: Bounds(figures) for about, figures in FIELDS.items()}
    found = []
    for rule in rules:
        here = [*_people(rule), *Possibilities(rule, bounds[rule.about]).findings(), *_noise(rule)]
        found += sorted(here, key=_place)
    return found


def _place(finding: Finding) -> tuple[int, int]:
    place = finding.problem.place
    return (place.line or 0, place.column or 0) if place else (0, 0)


def _people(rule: Rule) -> Iterator[Finding]:
    """What a person needs, and is not there."""
    texts = {"cause": rule.cause, "consequence": rule.consequence, "response": rule.response}
    missing = [f"'{key}'" for key, text in texts.items() if not text.strip()]
    if missing and not rule.is_silent:
        verb = "is" if len(missing) == 1 else "are"
        what = f"a person who reads this alarm needs more: {_listed(missing)} {verb} missing"
        yield at_key(FindingKind.RESPONSE, what, rule, "rule")
    kinds = {example.raised for example in rule.examples}
    lacking = [
        f"'expect: {word}'"
        for word, raised in (("raised", True), ("quiet", False))
        if raised not in kinds
    ]
    if lacking:
        what = f"no example with {_listed(lacking)}: examples show that the rule does what is meant"
        yield at_key(FindingKind.EXAMPLES, what, rule, "rule")


def _noise(rule: Rule) -> Iterator[Finding]:
    """Measurements that are held against a limit sample by sample."""
    noisy = [
        (found, name)
        for found in comparisons_in(rule.when.text, FIELDS[rule.about])
        if not found.in_window and (name := _measurement(found.part, rule)) is not None
    ]
    if noisy and rule.on_delay_s == 0:
        found, name = noisy[0]
        what = (
            f"'{name}' is a measurement, and a single sample raises this: "
            f'give on_delay, or take its mean: mean({name}, "1 min")'
        )
        yield at_part(FindingKind.NOISE, what, rule, "when", found.part)
    if rule.off_delay_s > 0 or rule.until is not None or rule.latching:
        return
    for found, name in noisy:
        if found.limit.figure.name not in rule.deadband:
            what = (
                f"'{name}' is a measurement, and goes to and fro about this limit: "
                "give a deadband, off_delay or until"
            )
            yield at_part(FindingKind.CHATTER, what, rule, "when", found.part)
            return


def _measurement(part: Part, rule: Rule) -> str | None:
    """The measurement that a comparison holds against a limit, but not one in a window."""
    names = _names_outside_windows(parsed(part.text))
    return next((name for name in names if FIELDS[rule.about][name].noisy), None)


def _names_outside_windows(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Call):
        return []
    if isinstance(node, ast.Name):
        return [node.id]
    found = (_names_outside_windows(child) for child in ast.iter_child_nodes(node))
    return list(dict.fromkeys(name for names in found for name in names))


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
