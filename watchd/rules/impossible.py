"""Conditions that can never hold, or always do, and limits in the wrong unit.

What a condition can be follows from what its figures can be.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

from watchd.figures import Figure, Kind, unit_sign
from watchd.language.bounds import Bounds
from watchd.language.expression import Expression
from watchd.language.intervals import Interval
from watchd.language.parts import Joined, Limit, Part, Side, comparisons_in, parts_of
from watchd.rules.fields import FIELDS
from watchd.rules.finding import Finding, FindingKind, at_key, at_part
from watchd.rules.rule import Rule
from watchd.rules.units import likely_unit

# What becomes of the alarm where a condition never (False) or always (True) holds.
Becomes = dict[bool, FindingKind]
_ENDS = {
    FindingKind.NEVER_RAISED: ", and the alarm is never raised",
    FindingKind.NEVER_RETURNS: ", and the alarm never returns",
    FindingKind.NEVER_SEEN: ", and nobody ever sees the alarm",
    FindingKind.NEVER_HOLDS: "",
    FindingKind.ALWAYS_HOLDS: "",
}


class Possibilities:
    """One rule, held against what its figures can be."""

    def __init__(self, rule: Rule, bounds: Bounds) -> None:
        self._rule, self._bounds = rule, bounds
        self._figures = FIELDS[rule.about]

    def findings(self) -> Iterator[Finding]:
        """What can never be, and what always is."""
        rule = self._rule
        raised, returns = FindingKind.NEVER_RAISED, FindingKind.NEVER_RETURNS
        yield from self._condition("when", rule.when, {False: raised, True: returns})
        if rule.until is not None:
            yield from self._condition("until", rule.until, {False: returns})
        if rule.suppress_when is not None:
            yield from self._condition(
                "suppress_when", rule.suppress_when, {True: FindingKind.NEVER_SEEN}
            )
        if rule.charge_limit is not None:
            yield from self._comparisons("charge_limit", rule.charge_limit.text)
        yield from self._return()

    def _condition(self, key: str, expression: Expression, becomes: Becomes) -> Iterator[Finding]:
        text = expression.text
        never, always = (not self._bounds.can((text, truth)) for truth in (True, False))
        kind = becomes.get(always) if never or always else None
        found = list(self._comparisons(key, text, whole=always, becomes=kind))
        yield from found
        if kind is None or any(f.kind in (kind, FindingKind.UNIT) for f in found):
            return
        why = f"this {'always' if always else 'never'} holds"
        whole = parts_of(text, self._figures)
        if never:
            why = self._contradiction(whole) or why
        yield at_part(kind, f"{why}{_ENDS[kind]}", self._rule, key, whole)

    def _comparisons(
        self, key: str, text: str, *, whole: bool = False, becomes: FindingKind | None = None
    ) -> Iterator[Finding]:
        """`becomes` is what comes of the `whole` never (False) or always (True) holding."""
        for found in comparisons_in(text, self._figures):
            unit = self._unit(found.limit)
            if unit is not None:
                yield at_part(FindingKind.UNIT, unit, self._rule, key, found.part)
                continue
            for truth in (False, True):
                if self._bounds.can((found.part.text, not truth)):
                    continue
                kind = FindingKind.ALWAYS_HOLDS if truth else FindingKind.NEVER_HOLDS
                if becomes is not None and not found.in_window:
                    kind = becomes if (truth is not found.negated) is whole else kind
                held = "always" if truth else "never"
                what = f"{self._reason(found.limit, truth=truth)}this {held} holds{_ENDS[kind]}"
                yield at_part(kind, what, self._rule, key, found.part)

    def _unit(self, limit: Limit) -> str | None:
        number, figure = limit.limit.number, limit.figure
        if number is None or figure.number is not None:
            return None
        return likely_unit(figure.text, limit.unit, self._range(figure), number)

    def _range(self, side: Side) -> Interval:
        if side.number is not None:
            return Interval(side.number, side.number)
        if side.expression is None or side.expression.kind is not Kind.NUMBER:
            return Interval()
        return self._bounds.range_of(side.text)

    def _contradiction(self, whole: Part) -> str | None:
        """Two parts that must both hold, and never do together."""
        parts = list(_all_needed(whole))
        for number, one in enumerate(parts):
            for other in parts[:number]:
                if not self._bounds.can((other.text, True), (one.text, True)):
                    return f"'{other.text}' and '{one.text}' never hold together"
        return None

    def _reason(self, limit: Limit, *, truth: bool) -> str:
        """Why a comparison never (or, with `truth`, always) holds; "" where it is plain."""
        expression = limit.figure.expression
        if expression is None or expression.kind is not Kind.NUMBER:
            return ""
        figure, other = self._range(limit.figure), self._range(limit.limit)
        above = (limit.operator in (">", ">=")) is not truth
        if limit.operator in ("==", "!="):
            above = other.low > figure.high
        said = _end(limit.figure, figure, limit.unit, above=above)
        if limit.limit.number is None:
            said += _end(limit.limit, other, limit.unit, above=not above, then=bool(said))
        return f"{said}: " if said else ""

    def _return(self) -> Iterator[Finding]:
        """A raised alarm whose condition can go, but which still never returns."""
        rule, can = self._rule, self._bounds.can
        gone = (rule.when.text, False)
        if not can(gone):
            return
        kind = FindingKind.NEVER_RETURNS
        if rule.until is not None:
            back = (rule.until.text, True)
            if can(back) and not can(gone, back):
                what = "while this holds, 'when' holds too: the alarm never returns"
                yield at_part(kind, what, rule, "until", parts_of(rule.until.text, self._figures))
        if rule.deadband and not can(gone, deadband=rule.deadband):
            alone = [n for n, a in rule.deadband.items() if not can(gone, deadband={n: a})]
            name = next(iter(alone or rule.deadband))
            ends = _shown(self._bounds.range_of(name), self._figures[name])
            what = f"'{name}' is {ends}: with this deadband the alarm never returns"
            yield at_key(kind, what, rule, "deadband", name)


def _end(side: Side, interval: Interval, unit: str, *, above: bool, then: bool = False) -> str:
    """Beyond what a side never is; "" for a plain number, and where there is no end."""
    end, word = (interval.high, "above") if above else (interval.low, "below")
    if side.number is not None or not isfinite(end):
        return ""
    return f"{' and ' if then else ''}'{side.text}' is never {word} {_amount(end, unit)}"


def _amount(number: float, unit: str) -> str:
    return f"{number:g} {unit_sign(unit)}".rstrip()


def _shown(interval: Interval, figure: Figure) -> str:
    ends = [
        f"never {word} {_amount(end, figure.unit)}"
        for word, end in (("below", interval.low), ("above", interval.high))
        if isfinite(end)
    ]
    return " and ".join(ends)


def _all_needed(part: Part) -> Iterator[Part]:
    if part.joined is Joined.ALL:
        for inner in part.parts:
            yield from _all_needed(inner)
    else:
        yield part
