"""Text of a rules file -> compiled rules. Every mistake of every file is found in one go."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from pydantic import ValidationError

from watchd.documents import Document, parse_document
from watchd.errors import Place, Problem, WatchdError, nearest
from watchd.figures import About, Figure, Kind, unit_sign
from watchd.figures import text as text_figure
from watchd.language.expression import (
    ANY_UNIT,
    Expression,
    ExpressionError,
    compile_expression,
)
from watchd.language.texts import Template, TextError, compile_text
from watchd.rules.entry import RuleEntry, StepEntry
from watchd.rules.fields import FIELDS, SUBJECT_NAMES
from watchd.rules.rule import Example, Priority, Rule, Step
from watchd.rules.source import Source
from watchd.schema import schema_problems, show_input

MOST_RULES = 1000
_Made = TypeVar("_Made")


def compile_rules(texts: Sequence[tuple[str, str]]) -> tuple[Rule, ...]:
    """Rules of files given as (source name, text). Raises WatchdError with every problem."""
    problems: list[Problem] = []
    rules: dict[str, Rule] = {}
    for source, text in texts:
        try:
            document = parse_document(text, source)
        except WatchdError as error:
            problems.extend(error.problems)
            continue
        if not isinstance(document.data, list):
            problems.append(document.problem("a rules file is a list of rules: '- rule: name'", ()))
            continue
        for index in range(len(document.data)):
            rule = _compile_entry(document, index, problems)
            if rule is None:
                continue
            if rule.name in rules:
                other = rules[rule.name].place
                what = f"a rule called '{rule.name}' is already at {other}"
                problems.append(document.problem(what, (index, "rule")))
            rules[rule.name] = rule
    if len(rules) > MOST_RULES:
        problems.append(Problem(f"{len(rules)} rules; at most {MOST_RULES} are supported"))
    if problems:
        raise WatchdError(problems)
    return tuple(rules.values())


def _compile_entry(document: Document, index: int, problems: list[Problem]) -> Rule | None:
    data = document.data[index]
    if not isinstance(data, dict):
        problems.append(document.problem("a rule is a mapping that begins with 'rule:'", (index,)))
        return None
    try:
        entry = RuleEntry.model_validate(data)
    except ValidationError as error:
        problems.extend(schema_problems(document, error, RuleEntry, (index,)))
        return None
    about = About(entry.about)
    before = len(problems)
    source = Source(document, index)
    compiler = _Entry(source, about, problems)
    when = compiler.expression("when", entry.when)
    until = compiler.expression("until", entry.until)
    stays = compiler.stays(entry)
    suppress_when = compiler.expression("suppress_when", entry.suppress_when)
    limit = compiler.amount(entry)
    say = compiler.text("say", entry.say)
    title = compiler.text("title", entry.title) if entry.title is not None else None
    examples = compiler.examples(entry)
    if len(problems) > before or when is None or say is None:
        return None
    place = source.problem("", "rule").place or Place(document.source)
    return Rule(
        name=entry.rule,
        about=about,
        when=when,
        stays=stays,
        until=until,
        on_delay_s=entry.on_delay,
        off_delay_s=entry.off_delay,
        priority=Priority(entry.priority),
        title=title,
        say=say,
        cause=entry.cause,
        consequence=entry.consequence,
        response=entry.response,
        caution=entry.caution,
        charge_limit=limit,
        latching=entry.latching,
        suppress_when=suppress_when,
        re_alarm_s=entry.re_alarm_time,
        group=entry.group,
        annunciate=entry.annunciate,
        disabled=entry.disabled,
        deadband=dict(entry.deadband),
        examples=examples,
        digest=_digest(entry),
        place=place,
        source=source,
    )


def _digest(entry: RuleEntry) -> str:
    """Changes with all that an alarm's state rests on; a reworded text keeps the state."""
    bearing = entry.model_dump(
        include={"rule", "about", "when", "until", "on_delay", "off_delay", "deadband", "latching"}
    )
    return hashlib.sha256(json.dumps(bearing, sort_keys=True).encode()).hexdigest()[:16]


class _Entry:
    """Compiles the parts of one entry, and notes the problems at their places."""

    def __init__(self, source: Source, about: About, problems: list[Problem]) -> None:
        self._source, self._about, self._problems = source, about, problems
        self._figures = FIELDS[about]

    def expression(self, key: str, text: str | None) -> Expression | None:
        if text is None:
            return None
        return self._compiled(key, lambda: compile_expression(text, self._figures))

    def stays(self, entry: RuleEntry) -> Expression | None:
        if not entry.deadband:
            return None
        known = True
        for name in entry.deadband:
            figure = self._figures.get(name)
            if figure is None or figure.kind is not Kind.NUMBER:
                hint = nearest(name, list(self._figures))
                what = f"the deadband's '{name}' is not a figure with a number; {hint}"
                self._add(self._elsewhere(name) or what, "deadband", name, at_key=True)
                known = False
        if not known:
            return None
        try:
            compile_expression(entry.when, self._figures)
        except ExpressionError:
            return None  # told already, at its own place
        for name, amount in entry.deadband.items():
            try:
                compile_expression(entry.when, self._figures, deadband={name: amount})
            except ExpressionError as error:
                self._add(error.what, "deadband", name, at_key=True)
                known = False
        if not known:
            return None
        return compile_expression(entry.when, self._figures, deadband=entry.deadband)

    def amount(self, entry: RuleEntry) -> Expression | None:
        text = entry.charge_limit
        if text is None:
            return None
        found = self._compiled(
            "charge_limit",
            lambda: compile_expression(text, self._figures, want=Kind.NUMBER),
        )
        if found is not None and found.unit not in ("a", ANY_UNIT, ""):
            self._add(
                f"a charge limit is in A, but this is in {unit_sign(found.unit)}", "charge_limit"
            )
        return found

    def text(self, key: str, text: str) -> Template | None:
        subject = {name: text_figure(name, "") for name in SUBJECT_NAMES[self._about]}
        names = {**self._figures, **subject}
        return self._compiled(key, lambda: compile_text(text, names))

    def examples(self, entry: RuleEntry) -> tuple[Example, ...]:
        out = []
        for number, example in enumerate(entry.examples):
            path = ("examples", number)
            before = [self._step(s, *path, "before", n) for n, s in enumerate(example.before)]
            steps = (*before * example.times, self._step(example, *path))
            out.append(Example(steps, example.expect == "raised"))
        return tuple(out)

    def _step(self, entry: StepEntry, *path: str | int) -> Step:
        given = {}
        for name, value in entry.given.items():
            figure = self._figures.get(name)
            if figure is None:
                what = f"unknown name '{name}'; {nearest(name, list(self._figures))}"
                self._add(self._elsewhere(name) or what, *path, "given", name, at_key=True)
                continue
            try:
                given[name] = _example_value(figure, value)
            except ValueError as error:
                self._add(str(error), *path, "given", name)
        return Step(given, entry.lasting)

    def _compiled(self, key: str, make: Callable[[], _Made]) -> _Made | None:
        try:
            return make()
        except (ExpressionError, TextError) as error:
            what = self._elsewhere(error.name) or error.what
            self._problems.append(self._source.in_text(what, key, error.start, error.width))
            return None

    def _elsewhere(self, name: str | None) -> str | None:
        """Whose figure an unknown name is, where it is one."""
        for about, figures in FIELDS.items():
            if name in figures:
                owner = "watchd itself" if about is About.SERVICE else f"{figures[name].about}s"
                one = "watchd itself" if self._about is About.SERVICE else f"a {self._about}"
                return f"'{name}' is a figure of {owner}; this rule is about {one}"
        return None

    def _add(self, what: str, *path: str | int, at_key: bool = False) -> None:
        self._problems.append(self._source.problem(what, *path, at_key=at_key))


def _example_value(figure: Figure, value: Any) -> Any:
    match figure.kind, value:
        case Kind.YES_NO, bool():
            return value
        case Kind.NUMBER, int() | float() if not isinstance(value, bool):
            return float(value)
        case Kind.TEXT, str():
            if figure.words and value not in figure.words:
                hint = nearest(value, figure.words)
                raise ValueError(f"'{figure.name}' is never '{value}'; {hint}")
            return value
        case Kind.WORDS, list() if all(isinstance(v, str) for v in value):
            return tuple(value)
        case _, None:
            return None
    raise ValueError(f"'{figure.name}' is a {figure.kind}, but this is {show_input(value)}")


__all__ = ["RuleEntry", "compile_rules"]
