"""Cases about every limit and delay of a rule, made from the rule itself and run on its alarm.

They start from an example that must be raised, and move one figure at a time: a step this side of
its limit, at it, and a step beyond. Nothing is judged; a person sees whether it is as meant.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

from watchd.durations import show_duration
from watchd.figures import Figure, Figures, Kind, Value, unit_sign
from watchd.language.parts import Limit, Part, parts_of
from watchd.rules.examples import Trial, figures_of
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Rule

# What sensors resolve (common practice, no source); finer where a limit is finer.
_STEPS = {
    "v": 0.001,
    "mohm": 0.01,
    "a": 0.1,
    "ah": 0.1,
    "pct": 0.1,
    "degc": 0.1,
    "h": 0.1,
    "d": 0.1,
}
# Before a delay ends.
BEFORE_S = 1.0


@dataclass(frozen=True, slots=True)
class Case:
    """One value of a figure, or one time, and whether the alarm was raised then."""

    value: str
    raised: bool


@dataclass(frozen=True, slots=True)
class Boundary:
    """The cases about one limit or delay. `note` says what else there is to know."""

    about: str  # as it stands in the rule
    cases: tuple[Case, ...]
    returns: tuple[Case, ...] = ()  # once it is raised
    note: str = ""
    example: int | None = None  # the number of the one that the cases start from


@dataclass(frozen=True, slots=True)
class Boundaries:
    """All of a rule."""

    rule: Rule
    found: tuple[Boundary, ...]

    @property
    def count(self) -> int:
        """How many cases there are."""
        return sum(len(b.cases) + len(b.returns) for b in self.found)


def boundaries_of(rule: Rule) -> Boundaries:
    """The boundary cases of a rule; none where no example gives what its condition needs."""
    parts = list(parts_of(rule.when.text, FIELDS[rule.about], rule.deadband).leaves())
    if rule.when.calls:
        note = "not tried: the windows of this rule need a past"
        return Boundaries(rule, tuple(Boundary(part.text, (), (), note) for part in parts))
    starts = list(_starts(rule))
    if not starts:
        return Boundaries(rule, ())
    _, figures = starts[0]
    found = []
    gone: Figures | None = None  # figures with which a raised alarm returns
    for part in parts:
        tried = [_Tried(rule, start, part) for start in starts]
        best = next((t for t in tried if t.bears), tried[0])
        found.append(best.boundary())
        if best.figures is figures:
            gone = gone or best.gone
    return Boundaries(rule, (*found, *_delays(rule, starts[0], gone)))


def _starts(rule: Rule) -> Iterator[tuple[int, Figures]]:
    """The examples that must be raised, and are."""
    for number, example in enumerate(rule.examples, 1):
        if example.raised and len(example.steps) == 1:
            figures = figures_of(rule, example.steps[0].given)
            known = all(figures.get(name) is not None for name in rule.when.names)
            if known and _raises(rule, figures):
                yield number, figures


def _raises(rule: Rule, figures: Figures) -> bool:
    """Whether a fresh alarm is raised by these figures, held for the on-delay."""
    return Trial(rule).hold(figures, rule.on_delay_s, max(1.0, rule.on_delay_s))


def _stays(rule: Rule, start: Figures, figures: Figures) -> bool:
    """Whether an alarm that `start` raised stays raised with other figures."""
    trial = Trial(rule)
    trial.hold(start, rule.on_delay_s, max(1.0, rule.on_delay_s))
    return trial.hold(figures, rule.off_delay_s, max(1.0, rule.off_delay_s))


class _Tried:
    """One part of a rule's condition, tried from the figures of one example."""

    def __init__(self, rule: Rule, start: tuple[int, Figures], part: Part) -> None:
        self.rule, self._part = rule, part
        self._example, self.figures = start
        self._cases: list[tuple[Value, bool]] = []
        self._returns: list[tuple[Value, bool]] = []
        self._name = self._varied()
        self._note = ""
        self.gone: Figures | None = None
        if self._name is None:
            self._note = "not tried: no figure stands alone here"
        else:
            self._try(self._name)

    @property
    def bears(self) -> bool:
        """Whether the part has an effect by itself."""
        return len({raised for _, raised in self._cases}) > 1

    def boundary(self) -> Boundary:
        """What came of it."""
        note = self._note
        if self._cases and not note:
            if not self.bears:
                note = "no effect here: another part decides"
            elif not self._returns:
                windows = self.rule.until is not None and self.rule.until.calls
                past = "its return is not tried: the windows of until need a past"
                note = past if windows else "does not return by this alone"
        cases = tuple(Case(self._shown(v), raised) for v, raised in self._cases)
        returns = tuple(Case(self._shown(v), raised) for v, raised in self._returns)
        return Boundary(self._part.text, cases, returns, note, self._example if cases else None)

    def _varied(self) -> str | None:
        """The figure that is moved."""
        limit = self._part.limit
        if limit is None:
            names = self._part.expression.names
            alone = len(names) == 1 and self._part.text == names[0]
            return names[0] if alone else None
        among = limit.operator in ("in", "not in")  # a word among the words of a figure
        return limit.figure.name or (limit.limit.name if among else None)

    def _try(self, name: str) -> None:
        figure = FIELDS[self.rule.about][name]
        limit = self._part.limit
        if figure.kind is Kind.NUMBER and limit is not None:
            self._numbers(name, figure, limit)
        elif figure.kind is Kind.YES_NO:
            self._values(name, [self.figures[name], not self.figures[name]])
        elif figure.kind is Kind.TEXT:
            others = [word for word in figure.words if word != self.figures[name]]
            self._values(name, [self.figures[name], *others])
        else:
            self._values(name, [self.figures[name], ()])

    def _values(self, name: str, values: list[Value]) -> None:
        for value in values:
            figures = {**self.figures, name: value}
            self._cases.append((value, _raises(self.rule, figures)))
            stays = _stays(self.rule, self.figures, figures)
            if not stays:
                self._returns.append((value, False))
                self.gone = self.gone or figures

    def _numbers(self, name: str, figure: Figure, limit: Limit) -> None:
        at = limit.limit.value(self.figures, {})
        if not isinstance(at, int | float) or isinstance(at, bool):
            self._note = "not tried: the limit is not known"
            return
        step = _step(figure, float(at))
        down = limit.operator in ("<", "<=")
        values = _about(figure, float(at), step if down else -step)
        self._cases = [(v, _raises(self.rule, {**self.figures, name: v})) for v in values]
        if not self.bears:
            return
        raising = [value for value, raised in self._cases if raised]
        start = {**self.figures, name: raising[-1]}
        if limit.operator in ("==", "!="):
            self._returning(name, start, values)
            return
        if not self._cases[-1][1]:
            down = not down  # below a `not` it is raised on this side of the limit
            start[name] = raising[0]
        for edge in self._edges(name, float(at) - limit.slack, start):
            # From the raised side to the other, until it returns.
            self._returning(name, start, _about(figure, edge, -step if down else step))
            if self._returns:
                return

    def _returning(self, name: str, start: Figures, values: list[float]) -> None:
        """At which of these values an alarm that `start` raised returns: the first, and before."""
        tried: list[tuple[Value, bool]] = []
        for value in values:
            figures = {**self.figures, name: value}
            tried.append((value, _stays(self.rule, start, figures)))
            if not tried[-1][1]:
                self._returns, self.gone = tried[-2:], figures
                return

    def _edges(self, name: str, by_deadband: float, start: Figures) -> list[float]:
        """Where it may return: the deadband's edge, or the limits that `until` puts on it."""
        if self.rule.until is None:
            return [by_deadband]
        leaves = parts_of(self.rule.until.text, FIELDS[self.rule.about]).leaves()
        limits = [leaf.limit for leaf in leaves if leaf.limit and leaf.limit.figure.name == name]
        values = [limit.limit.value(start, {}) for limit in limits]
        return [float(v) for v in values if isinstance(v, int | float)]

    def _shown(self, value: Value) -> str:
        figure = FIELDS[self.rule.about][self._name or ""]
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, int | float):
            return f"{value:.10g} {unit_sign(figure.unit)}".rstrip()
        return ", ".join(value) or "none" if isinstance(value, tuple) else str(value)


def _about(figure: Figure, at: float, step: float) -> list[float]:
    """A step before a limit, at it and a step beyond, as far as the figure can be that."""
    low = -inf if figure.low is None else figure.low
    high = inf if figure.high is None else figure.high
    values = [round(at + moved, 6) + 0.0 for moved in (step, 0.0, -step)]
    return [value for value in values if low <= value <= high]


def _step(figure: Figure, limit: float) -> float:
    step = _STEPS.get(figure.unit, 1.0)
    if not figure.unit and limit != int(limit):
        step = 0.01
    while 0 < abs(limit) < 2 * step:
        step /= 10
    return step


def _delays(rule: Rule, start: tuple[int, Figures], gone: Figures | None) -> Iterator[Boundary]:
    """Just before each delay, and at it."""
    number, figures = start
    on_s, off_s = rule.on_delay_s, rule.off_delay_s
    if on_s > 0:
        cases = [
            Case(shown, Trial(rule).hold(figures, lasting_s, max(1.0, lasting_s)))
            for shown, lasting_s in _around(on_s)
        ]
        yield Boundary(f"on_delay: {show_duration(on_s)}", tuple(cases), example=number)
    if off_s > 0:
        about = f"off_delay: {show_duration(off_s)}"
        if gone is None:
            yield Boundary(about, (), note="not tried: nothing here lets it return")
            return
        returns = []
        for shown, lasting_s in _around(off_s):
            trial = Trial(rule)
            trial.hold(figures, on_s, max(1.0, on_s))
            returns.append(Case(shown, trial.hold(gone, lasting_s, max(1.0, lasting_s))))
        yield Boundary(about, (), tuple(returns), example=number)


def _around(delay_s: float) -> list[tuple[str, float]]:
    return [("1 s less", max(0.0, delay_s - BEFORE_S)), (show_duration(delay_s), delay_s)]
