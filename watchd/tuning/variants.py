"""A rule with one of its numbers replaced by each of many values, to be tried side by side."""

from __future__ import annotations

import ast
from collections.abc import Sequence
from dataclasses import dataclass, replace

from watchd.errors import Problem, WatchdError, nearest
from watchd.figures import Kind, unit_sign
from watchd.language.expression import ExpressionError, compile_expression
from watchd.language.parts import Limit, Part, parts_of
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Rule
from watchd.tuning.variation import DEADBAND, DELAYS, Variation

# A figure that follows from the advice depends on what the other rules cap it at.
ADVICE = frozenset({"charge_limit_a", "limited_by"})
SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Variant:
    """The rule at one value. None: as it is, where what is varied is no plain number there.

    `was_asked` is False where the rule as it is came in beside the values that were asked for.
    """

    value: float | None
    rule: Rule
    in_force: bool
    was_asked: bool = True


@dataclass(frozen=True, slots=True)
class Variants:
    """The variants in the order of their values; one of them is the rule as it is.

    `what` is what is varied, `unit` that of its values, `now` what stands in the rule.
    """

    what: str
    unit: str
    now: str
    variants: tuple[Variant, ...]


def variants_of(rule: Rule, variation: Variation) -> Variants:
    """The rule at each value. Raises WatchdError where it has no such number to vary."""
    if variation.what in DELAYS:
        return _of_delay(rule, variation)
    if variation.what.split()[0] == DEADBAND:
        return _of_deadband(rule, variation)
    return _of_limit(rule, variation)


def reads_advice(rule: Rule) -> bool:
    """Whether what the rule does depends on the suggested charge limit."""
    conditions = [c for c in (rule.when, rule.until, rule.suppress_when) if c is not None]
    return any(name in ADVICE for c in conditions for name in c.names)


def _of_delay(rule: Rule, variation: Variation) -> Variants:
    _needs_no_operator(variation)
    if not variation.low.unit:
        example = f"{variation.what} 30 s..5 min step 30 s"
        raise WatchdError(f"{variation.what} is a duration; write such as '{example}'")
    values = variation.values("s")
    if values[0] < 0:
        raise WatchdError(f"{variation.what} cannot be less than 0")
    if variation.what == "on_delay":
        now = rule.on_delay_s
        made = [(v, replace(rule, on_delay_s=v)) for v in values]
    else:
        now = rule.off_delay_s
        made = [(v, replace(rule, off_delay_s=v)) for v in values]
    return _variants(rule, variation.what, "s", _written(now, "s"), now, made)


def _of_deadband(rule: Rule, variation: Variation) -> Variants:
    _needs_no_operator(variation)
    figures = FIELDS[rule.about]
    given = variation.what.split(maxsplit=1)[1:]
    names = list(rule.deadband)
    if not names:
        raise _at(rule, f"{rule.name} has no deadband to vary")
    if not given and len(names) > 1:
        raise _at(rule, f"which deadband: write 'deadband {names[0]} LOW..HIGH step STEP'")
    name = given[0] if given else names[0]
    if name not in rule.deadband:
        raise _at(rule, f"{rule.name} has no deadband of '{name}'; {nearest(name, names)}")
    values = variation.values(figures[name].unit)
    if values[0] <= 0:
        raise WatchdError("a deadband has to be more than 0")
    made = []
    for value in values:
        deadband = {**rule.deadband, name: value}
        stays = compile_expression(rule.when.text, figures, deadband=deadband)
        made.append((value, replace(rule, deadband=deadband, stays=stays)))
    now = rule.deadband[name]
    return _variants(
        rule, f"deadband {name}", figures[name].unit, _written(now, figures[name].unit), now, made
    )


def _of_limit(rule: Rule, variation: Variation) -> Variants:
    leaf, limit = _comparison(rule, variation)
    values = variation.values(limit.unit)
    made = [(value, _with_limit(rule, leaf, limit, value)) for value in values]
    what = f"{limit.figure.text} {limit.operator}"
    number = limit.limit.number
    now = limit.limit.text if number is None else _written(number, limit.unit)
    return _variants(rule, what, limit.unit, now, number, made)


def _comparison(rule: Rule, variation: Variation) -> tuple[Part, Limit]:
    """The one comparison that is meant."""
    leaves = parts_of(rule.when.text, FIELDS[rule.about]).leaves()
    limits = [(leaf, leaf.limit) for leaf in leaves if leaf.limit is not None]
    limits = [(leaf, limit) for leaf, limit in limits if _is_number(limit)]
    wanted = _plain(variation.what)
    found = [
        (leaf, limit)
        for leaf, limit in limits
        if wanted in (_plain(limit.figure.text), _plain(leaf.text))
    ]
    listed = "; ".join(leaf.text for leaf, _ in limits) or "none"
    if not found:
        names = list(dict.fromkeys(limit.figure.text for _, limit in limits))
        hint = f"; {nearest(variation.what, names)}" if names else ""
        what = f"'{variation.what}' is not held against a limit in {rule.name}{hint}"
        raise _at(rule, f"{what} (its comparisons with a number: {listed})")
    if variation.operator is not None:
        operators = ", ".join(dict.fromkeys(limit.operator for _, limit in found))
        found = [pair for pair in found if pair[1].operator == variation.operator]
        if not found:
            what = f"'{variation.what}' is not compared with {variation.operator} in {rule.name}"
            raise _at(rule, f"{what}, but with {operators}")
    if len(found) > 1:
        texts = [leaf.text for leaf, _ in found]
        what = f"'{variation.what}' is compared {len(found)} times in {rule.name}"
        raise _at(rule, f"{what}: {'; '.join(texts)}; {_telling_apart(found)}")
    return found[0]


def _telling_apart(found: Sequence[tuple[Part, Limit]]) -> str:
    """How to say which of several comparisons is meant."""
    leaf, limit = found[0]
    if len({limit.operator for _, limit in found}) == len(found):
        example = f"{limit.figure.text} {limit.operator}"
    elif len({_plain(leaf.text) for leaf, _ in found}) == len(found):
        example = f"{leaf.text}:"
    else:
        return "they cannot be told apart"
    return f"say which, such as '{example} LOW..HIGH step STEP'"


def _is_number(limit: Limit) -> bool:
    expression = limit.figure.expression
    return expression is not None and expression.kind is Kind.NUMBER


def _plain(text: str) -> str:
    """The text of an expression without regard to blanks and the kind of quotes."""
    try:
        return ast.unparse(ast.parse(text.strip(), mode="eval"))
    except (SyntaxError, ValueError):
        return text.strip()


def _with_limit(rule: Rule, leaf: Part, limit: Limit, value: float) -> Rule:
    text = rule.when.text
    part = text[leaf.start : leaf.start + leaf.width].replace("\n", " ")
    # One side is the first thing in the part and the other the last, but for brackets.
    start = part.rfind(limit.limit.text)
    if limit.figure.text not in part[:start]:
        start = part.find(limit.limit.text)
    begin = leaf.start + start
    changed = f"{text[:begin]}{value!r}{text[begin + len(limit.limit.text) :]}"
    figures = FIELDS[rule.about]
    try:
        when = compile_expression(changed, figures)
        stays = compile_expression(changed, figures, deadband=rule.deadband) if rule.stays else None
    except ExpressionError as error:
        raise _at(rule, f"with {value:g} the condition does not load: {error.what}") from None
    return replace(rule, when=when, stays=stays)


def _written(number: float, unit: str) -> str:
    return f"{number:g} {unit_sign(unit)}".strip()


def _needs_no_operator(variation: Variation) -> None:
    if variation.operator is not None:
        raise WatchdError(f"{variation.what} is not compared; leave {variation.operator} out")


def _variants(
    rule: Rule,
    what: str,
    unit: str,
    now: str,
    number: float | None,
    made: Sequence[tuple[float, Rule]],
) -> Variants:
    """The variants, each under a name of its own, and the rule as it is among them."""
    found = [
        Variant(v, r, number is not None and abs(v - number) <= SAME * max(1.0, abs(v)))
        for v, r in made
    ]
    if not any(variant.in_force for variant in found):
        found.append(Variant(number, rule, in_force=True, was_asked=False))
    if number is not None:
        found.sort(key=lambda variant: variant.value or 0.0)
    named = (replace(v, rule=_named(v.rule, i)) for i, v in enumerate(found, 1))
    return Variants(what, unit, now, tuple(named))


def _named(rule: Rule, index: int) -> Rule:
    """One of many: it caps nothing, and is evaluated even where the rule is not, as yet."""
    name = f"{rule.name[:50].rstrip('-')}-at-{index}"
    return replace(rule, name=name, charge_limit=None, group=None, disabled=False)


def _at(rule: Rule, what: str) -> WatchdError:
    return WatchdError(Problem(what, rule.place))
