"""The conditions of the shipped rules against general expression libraries.

Prints, asserts nothing; run it from the project's root with `python -m tests.bench.rules` (extra
`bench`). All see the same figures, in the form that each likes best, and must find the same truths
first. None of the others has a third value, so every figure is known here; a condition with windows
is left out, since none of them remembers anything. CPU time for the whole set, least of runs.
"""

from __future__ import annotations

import ast
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from importlib import import_module
from itertools import count
from pathlib import Path
from random import Random
from typing import Any

from watchd.alarms.alarm import Alarm
from watchd.alarms.alarms import Alarms
from watchd.figures import About, Figures, Kind
from watchd.language.parts import parsed
from watchd.language.together import compile_stirring
from watchd.loading import load_rules
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Rule

RULES = Path(__file__).parents[2] / "rules"
SAMPLES = 20
RUNS, RUN_S = 3, 0.2
GOAL = 5.0
Truths = list[bool]
# Takes conditions, and figures of several samples; gives what evaluates all conditions on one.
Made = tuple[list[Any], Callable[[Any], Truths]]


def samples(rules: Sequence[Rule], rng: Random) -> list[Figures]:
    """Invented figures, all known: mostly of a calm day, as most are."""
    names = sorted({name for rule in rules for name in rule.when.names})
    return [{name: _value(name, rng) for name in names} for _ in range(SAMPLES)]


def _value(name: str, rng: Random) -> float | bool | str:
    figure = FIELDS[About.PACK][name]
    if figure.kind is Kind.YES_NO:
        return rng.random() < 0.1
    if figure.kind is Kind.TEXT:
        return str(rng.choice(figure.words or ("none",)))
    return round(rng.uniform(0.0, 60.0), 3)


# --- the conditions as each library wants them ---

_SIGNS: dict[type[ast.AST], str] = {
    ast.Gt: ">", ast.GtE: ">=", ast.Lt: "<", ast.LtE: "<=", ast.Eq: "==", ast.NotEq: "!=",
    ast.In: "in", ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/",
}  # fmt: skip


def written(  # noqa: C901, PLR0911 - one case for each sort of part
    node: ast.expr, words: tuple[str, str, str]
) -> str:
    """A condition with other words for `and`, `or` and `not`, `? :` for `if`, and brackets."""

    def of(part: ast.expr) -> str:
        return written(part, words)

    match node:
        case ast.Name():
            return node.id
        case ast.Constant(value=str() as word):
            return f'"{word}"'
        case ast.Constant(value=bool() as truth):
            return str(truth).lower()
        case ast.Constant(value=number):
            return repr(float(number))  # type: ignore[arg-type] # nothing else is in a rule
        case ast.BoolOp():
            word = words[0] if isinstance(node.op, ast.And) else words[1]
            return f"({f' {word} '.join(of(value) for value in node.values)})"
        case ast.UnaryOp(op=ast.Not()):
            return f"{words[2]} ({of(node.operand)})"
        case ast.UnaryOp():
            return f"-{of(node.operand)}"
        case ast.BinOp():
            return f"({of(node.left)} {_SIGNS[type(node.op)]} {of(node.right)})"
        case ast.IfExp():
            return f"({of(node.test)} ? {of(node.body)} : {of(node.orelse)})"
        case ast.Tuple():
            return f"[{', '.join(of(element) for element in node.elts)}]"
        case ast.Compare():
            sides = [node.left, *node.comparators]
            pairs = zip(sides, node.ops, node.comparators, strict=False)
            said = [f"{of(a)} {_SIGNS[type(op)]} {of(b)}" for a, op, b in pairs]
            return said[0] if len(said) == 1 else f"({f' {words[0]} '.join(said)})"
    raise ValueError(ast.dump(node))


C_WORDS = ("&&", "||", "!")
PYTHON_WORDS = ("and", "or", "not")


def with_watchd(rules: Sequence[Rule], given: list[Figures]) -> Made:
    stirring = compile_stirring([(n, [rule.when]) for n, rule in enumerate(rules)])
    every = range(len(rules))

    def evaluate(figures: Figures) -> Truths:
        found = stirring(figures)
        return [n in found for n in every]

    return list(given), evaluate


def with_watchd_alone(rules: Sequence[Rule], given: list[Figures]) -> Made:
    conditions = [rule.when.evaluate for rule in rules]
    return list(given), lambda figures: [condition(figures, ()) for condition in conditions]


def with_simpleeval(rules: Sequence[Rule], given: list[Figures]) -> Made:
    simpleeval = import_module("simpleeval")

    evaluator = simpleeval.EvalWithCompoundTypes()
    texts = [rule.when.text.replace("\n", " ").strip() for rule in rules]
    trees = [(text, evaluator.parse(text)) for text in texts]

    def evaluate(figures: Figures) -> Truths:
        evaluator.names = figures
        return [evaluator.eval(text, previously_parsed=tree) for text, tree in trees]

    return list(given), evaluate


def with_cel_python(rules: Sequence[Rule], given: list[Figures]) -> Made:
    celpy = import_module("celpy")

    environment, to_cel = celpy.Environment(), celpy.json_to_cel
    texts = [written(parsed(rule.when.text), C_WORDS) for rule in rules]
    programs = [environment.program(environment.compile(text)) for text in texts]
    own = [{name: to_cel(value) for name, value in each.items()} for each in given]
    return own, lambda figures: [bool(program.evaluate(figures)) for program in programs]


def with_common_expression_language(rules: Sequence[Rule], given: list[Figures]) -> Made:
    cel = import_module("cel")

    programs = [cel.compile(written(parsed(rule.when.text), C_WORDS)) for rule in rules]
    own = [cel.Context(dict(each)) for each in given]
    return own, lambda figures: [program.execute(figures) for program in programs]


def with_new_contexts(rules: Sequence[Rule], given: list[Figures]) -> Made:
    """As it would run: every sample brings other figures, and they have to be handed over."""
    cel = import_module("cel")
    programs = [cel.compile(written(parsed(rule.when.text), C_WORDS)) for rule in rules]

    def evaluate(figures: Figures) -> Truths:
        context = cel.Context(figures)
        return [program.execute(context) for program in programs]

    return list(given), evaluate


def with_rule_engine(rules: Sequence[Rule], given: list[Figures]) -> Made:
    rule_engine = import_module("rule_engine")

    made = [rule_engine.Rule(written(parsed(rule.when.text), PYTHON_WORDS)) for rule in rules]
    return list(given), lambda figures: [rule.matches(figures) for rule in made]


OTHERS: dict[str, Callable[[Sequence[Rule], list[Figures]], Made]] = {
    "simpleeval": with_simpleeval,
    "cel-python": with_cel_python,
    "common-expression-language": with_common_expression_language,
    "the same, figures handed over": with_new_contexts,
    "rule-engine": with_rule_engine,
}


def cpu_us(work: Callable[[Any], object], given: Sequence[Any]) -> float:
    """CPU time for one of them, least of several runs, each of a fifth of a second or more."""
    found = []
    for _ in range(RUNS):
        begin, turns, spent_s = time.process_time(), 0, 0.0
        while spent_s < RUN_S:
            for each in given:
                work(each)
            turns += 1
            spent_s = time.process_time() - begin
        found.append(spent_s / (turns * len(given)) * 1e6)
    return min(found)


def compared(rules: Sequence[Rule]) -> None:
    """The table of libraries."""
    given = samples(rules, Random(62682))
    expected = [with_watchd_alone(rules, given)[1](each) for each in given]
    is_true = sum(sum(truths) for truths in expected)
    print(f"{len(rules)} conditions of packs, without windows; {is_true / len(given):.1f} true")
    theirs: dict[str, float] = {}
    for name, make in OTHERS.items():
        try:
            own, evaluate = make(rules, given)
        except ImportError:
            print(f"{name + ':':<31} not installed")
            continue
        except Exception as error:  # noqa: BLE001 - whatever it says of what it cannot express
            print(f"{name + ':':<31} cannot express a condition: {error}")
            continue
        if [evaluate(each) for each in own] != expected:
            print(f"{name + ':':<31} finds other truths")
            continue
        theirs[name] = cpu_us(evaluate, own)
    together, alone = with_watchd(rules, given), with_watchd_alone(rules, given)
    if [together[1](each) for each in given] != expected:
        raise SystemExit("together they find other truths than each by itself")
    stirring = compile_stirring([(n, [rule.when]) for n, rule in enumerate(rules)])
    ours = cpu_us(stirring, given)
    for name, spent in sorted(theirs.items(), key=lambda item: item[1]):
        print(f"{name + ':':<31} {spent:8.2f} us for the set, {spent / ours:6.1f} x watchd's")
    print(f"{'watchd, each by itself:':<31} {cpu_us(alone[1], given):8.2f} us")
    print(f"{'watchd, as it runs:':<31} {ours:8.2f} us")
    if theirs:
        ratio = min(theirs.values()) / ours
        print(f"{ratio:.1f} x faster than the fastest of the others (goal: at least {GOAL:g} x)")


def _look(alarms: Alarms, later: Iterator[int], figures: Figures, _: None) -> None:
    alarms.evaluate(float(next(later)), figures)


def whole(rules: Sequence[Rule]) -> None:
    """All alarms of a pack, with windows, delays and life cycles, when nothing stirs."""
    calm: Figures = dict.fromkeys(FIELDS[About.PACK])
    calm.update({"current_a": 12.0, "cell_spread_mv": 8.0, "cell_max_v": 3.33, "soc_pct": 60.0})
    calm.update({"carries": True, "protection_trip": False, "telemetry_quality": "good"})
    for what, explains in (("as a replay", False), ("as the daemon", True)):
        alarms = Alarms(Alarm(rule, "pack/alder", {}, explains=explains) for rule in rules)
        later = count(1_790_000_000, 10)
        spent = cpu_us(partial(_look, alarms, later, calm), [None] * SAMPLES)
        print(
            f"all {len(rules)} alarms of a pack {what}, a sample each 10 s, nothing stirs: "
            f"{spent:.2f} us"
        )


def main() -> None:
    """Print both."""
    rules = [rule for rule in load_rules(RULES) if rule.about is About.PACK]
    compared([rule for rule in rules if not rule.when.calls])
    whole(rules)


if __name__ == "__main__":
    main()
