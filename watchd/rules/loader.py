"""Text of a rules file -> compiled rules. Every mistake of every file is found in one go."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from watchd.documents import Document, Path, parse_document
from watchd.errors import Place, Problem, WatchdError, nearest
from watchd.figures import About, Figure, Kind, unit_sign
from watchd.language.expression import (
    ANY_UNIT,
    Expression,
    ExpressionError,
    compile_expression,
)
from watchd.language.texts import Template, TextError, compile_text
from watchd.rules.fields import FIELDS, SUBJECT_NAMES
from watchd.rules.rule import Example, Priority, Rule
from watchd.schema import Duration, PartError, Section, schema_problems, show_input

MOST_RULES = 1000
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
Sentence = Annotated[str, Field(max_length=1000)]


class ExampleEntry(Section):
    """What must happen in a case that the keeper thought of."""

    given: dict[str, Any] = Field(description="figures; those left out are unknown")
    lasting: Duration = Field(description="for how long")
    expect: Literal["raised", "quiet"] = Field(description="whether the alarm is raised then")


class RuleEntry(Section):
    """One rule of a file."""

    rule: str = Field(description="its name: small letters, digits and hyphens")
    about: Literal["bank", "pack", "cell", "service"] = Field(
        "pack", description="what it is evaluated for"
    )
    when: str = Field(description="the condition of the alarm")
    until: str | None = Field(None, description="the condition of return, instead of a deadband")
    on_delay: Duration = Field(0.0, description="`when` must hold that long")
    off_delay: Duration = Field(0.0, description="the return must hold that long")
    deadband: dict[str, Annotated[float, Field(gt=0)]] = Field(
        {}, description="per figure: how far below (or above) its limit it must return"
    )
    priority: Literal["critical", "high", "medium", "low", "journal"] = Field(
        description="critical to low, or journal: recorded, never annunciated"
    )
    say: Sentence = Field(description="what a person reads")
    cause: Sentence = Field("", description="likely causes")
    consequence: Sentence = Field("", description="what happens if nothing is done")
    response: Sentence = Field("", description="what to do")
    charge_limit: str | None = Field(None, description="A; caps the suggestion while raised")
    examples: list[ExampleEntry] = Field([], description="cases that `watchd check` runs")

    @model_validator(mode="after")
    def _whole(self) -> RuleEntry:
        if not _NAME.fullmatch(self.rule):
            what = (
                f"'{self.rule}' cannot be a rule's name; use small letters, digits "
                "and hyphens (it becomes a level of a topic)"
            )
            raise PartError(what, "rule")
        if self.until is not None and self.deadband:
            raise PartError("give deadband or until, not both", "deadband", at_key=True)
        return self


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
    compiler = _Entry(document, index, FIELDS[about], problems)
    when = compiler.expression("when", entry.when)
    until = compiler.expression("until", entry.until)
    stays = compiler.stays(entry)
    limit = compiler.amount(entry)
    say = compiler.text("say", entry.say, about)
    examples = compiler.examples(entry)
    if len(problems) > before or when is None or say is None:
        return None
    place = document.problem("", (index, "rule")).place or Place(document.source)
    return Rule(
        name=entry.rule,
        about=about,
        when=when,
        stays=stays,
        until=until,
        on_delay_s=entry.on_delay,
        off_delay_s=entry.off_delay,
        priority=Priority(entry.priority),
        say=say,
        cause=entry.cause,
        consequence=entry.consequence,
        response=entry.response,
        charge_limit=limit,
        examples=examples,
        digest=_digest(entry),
        place=place,
    )


def _digest(entry: RuleEntry) -> str:
    """Changes with all that an alarm's state rests on; a reworded text keeps the state."""
    bearing = entry.model_dump(
        include={"rule", "about", "when", "until", "on_delay", "off_delay", "deadband"}
    )
    return hashlib.sha256(json.dumps(bearing, sort_keys=True).encode()).hexdigest()[:16]


class _Entry:
    """Compiles the parts of one entry, and notes the problems at their places."""

    def __init__(
        self,
        document: Document,
        index: int,
        figures: Mapping[str, Figure],
        problems: list[Problem],
    ) -> None:
        self._document, self._index = document, index
        self._figures, self._problems = figures, problems

    def expression(self, key: str, text: str | None) -> Expression | None:
        if text is None:
            return None
        return self._compiled(key, lambda: compile_expression(text, self._figures))

    def stays(self, entry: RuleEntry) -> Expression | None:
        if not entry.deadband:
            return None
        for name in entry.deadband:
            figure = self._figures.get(name)
            if figure is None or figure.kind is not Kind.NUMBER:
                hint = nearest(name, list(self._figures))
                self._add(
                    f"the deadband's '{name}' is not a figure with a number; {hint}",
                    ("deadband", name),
                    at_key=True,
                )
                return None
        try:
            compile_expression(entry.when, self._figures)
        except ExpressionError:
            return None  # told already, at its own place
        for name, amount in entry.deadband.items():
            try:
                compile_expression(entry.when, self._figures, deadband={name: amount})
            except ExpressionError as error:
                self._add(error.what, ("deadband", name), at_key=True)
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
                f"a charge limit is in A, but this is in {unit_sign(found.unit)}", ("charge_limit",)
            )
        return found

    def text(self, key: str, text: str, about: About) -> Template | None:
        try:
            return compile_text(text, (*self._figures, *SUBJECT_NAMES[about]))
        except TextError as error:
            path: Path = (self._index, key)
            self._problems.append(
                self._document.problem_in_text(error.what, path, error.start, error.width)
            )
            return None

    def examples(self, entry: RuleEntry) -> tuple[Example, ...]:
        out = []
        for number, example in enumerate(entry.examples):
            given = {}
            for name, value in example.given.items():
                path: Path = ("examples", number, "given", name)
                figure = self._figures.get(name)
                if figure is None:
                    hint = nearest(name, list(self._figures))
                    self._add(f"unknown name '{name}'; {hint}", path, at_key=True)
                    continue
                try:
                    given[name] = _example_value(figure, value)
                except ValueError as error:
                    self._add(str(error), path)
            out.append(Example(given, example.lasting, example.expect == "raised"))
        return tuple(out)

    def _compiled(self, key: str, make: Callable[[], Expression]) -> Expression | None:
        try:
            return make()
        except ExpressionError as error:
            path: Path = (self._index, key)
            self._problems.append(
                self._document.problem_in_text(error.what, path, error.start, error.width)
            )
            return None

    def _add(self, what: str, path: Path, *, at_key: bool = False) -> None:
        self._problems.append(self._document.problem(what, (self._index, *path), at_key=at_key))


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
