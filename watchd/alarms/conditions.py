"""The conditions of one rule at work on one subject, with the delays for which they must hold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from watchd.figures import Figures, Value
from watchd.language.condition import Condition
from watchd.language.expression import Expression
from watchd.language.hold import Hold
from watchd.rules.rule import Rule

# Nobody is kept from an alarm for longer by a suppression of which nothing is known any more.
SUPPRESSED_UNKNOWN_S = 600.0


class Conditions:
    """What raises an alarm, what ends it, what suppresses it, and what it caps the current at.

    `fill` takes figures into the windows, whether or not the alarm is raised; `update` takes them
    through the conditions. Then `moves` says whether the alarm is to be raised (or, where it is
    raised, to return), `suppresses` what the design says (None: unknown), `cap_a` the newest known
    cap in A, and `unknown` the names that leave it without an answer.
    """

    __slots__ = (
        "_limit",
        "_off",
        "_on",
        "_rule",
        "_stays",
        "_suppress",
        "_suppressed_at",
        "_until",
        "_when",
        "_windowed",
        "cap_a",
        "moves",
        "suppresses",
        "unknown",
    )

    def __init__(self, rule: Rule, known: Mapping[str, Any]) -> None:
        self._rule = rule
        self.unknown: tuple[str, ...] = tuple(known.get("unknown", ()))
        self._on, self._off = Hold(known.get("on")), Hold(known.get("off"))
        self._when = Condition(rule.when, known.get("when"))
        self._stays = Condition(rule.stays, known.get("stays")) if rule.stays else None
        self._until = Condition(rule.until, known.get("until")) if rule.until else None
        # What is no part of the digest begins anew where it was edited, and the alarm goes on.
        self._suppress = _going_on(rule.suppress_when, known.get("suppress_when"))
        self._limit = _going_on(rule.charge_limit, known.get("charge_limit"))
        same_cap = _is_same(rule.charge_limit, known.get("charge_limit"))
        self.cap_a: float | None = known.get("cap_a") if same_cap else None
        # Where nothing suppresses it any more, since the rule was edited, that is known.
        self.suppresses: bool | None = None if rule.suppress_when else False
        self._suppressed_at: float = known.get("suppressed_at", 0.0)  # last known to hold
        self.moves = False
        every = (self._when, self._stays, self._until, self._suppress, self._limit)
        self._windowed = tuple(c for c in every if c is not None and c.expression.calls)

    def snapshot(self, unknown: tuple[str, ...]) -> dict[str, Any]:
        """Plain data from which they go on under a rule of the same digest."""
        return {
            "unknown": list(unknown),
            "on": self._on.snapshot(),
            "off": self._off.snapshot(),
            "when": self._when.snapshot(),
            "stays": self._stays.snapshot() if self._stays else None,
            "until": self._until.snapshot() if self._until else None,
            "suppress_when": _kept(self._suppress),
            "suppressed_at": self._suppressed_at,
            "charge_limit": _kept(self._limit),
            "cap_a": self.cap_a,
        }

    def fill(self, at: float, figures: Figures) -> None:
        """Take the figures as of `at` into the windows."""
        for condition in self._windowed:
            condition.fill(at, figures)

    @property
    def is_still(self) -> bool:
        """Whether no on-delay runs or stands still on its way."""
        return self._on.is_clear

    def fill_and_stir(self, at: float, figures: Figures) -> bool:
        """`fill`; whether an alarm at rest would move, or be on its way to."""
        for condition in self._windowed:
            condition.fill(at, figures)
        suppress = self._suppress
        return self._when.value(figures) is True or (
            suppress is not None and suppress.value(figures) is True
        )

    def unknown_of(self, figures: Figures) -> tuple[str, ...]:
        """The names that leave an alarm that is not raised without an answer."""
        return () if self._when.value(figures) is not None else self._unknown(figures, raised=False)

    def update(self, at: float, figures: Figures, *, raised: bool) -> None:
        """Take the figures as of `at`, after `fill`."""
        when = self._when.value(figures)
        stands = self._stands(figures, when) if raised else None
        if self._suppress is not None:
            self.suppresses = self._suppress.value(figures)
            if self.suppresses:
                self._suppressed_at = at
            elif self.suppresses is None and at - self._suppressed_at >= SUPPRESSED_UNKNOWN_S:
                self.suppresses = False
        if self._limit is not None:
            limit = self._limit.value(figures)
            if limit is not None:
                self.cap_a = max(0.0, float(limit))
            elif not raised:
                # While raised, unknown lifts no cap: the last one stands.
                self.cap_a = None
        decisive = stands if raised else when
        self.unknown = () if decisive is not None else self._unknown(figures, raised=raised)
        if raised:
            self._off.update(at, None if stands is None else not stands)
            self.moves = self._off.reached(self._rule.off_delay_s)
        else:
            self._on.update(at, when)
            self.moves = self._on.reached(self._rule.on_delay_s)

    def moved(self, *, raised: bool) -> None:
        """The alarm has been raised, or has returned: the other delay begins anew."""
        (self._off if raised else self._on).clear()

    def due_at(self, *, raised: bool) -> float | None:
        """When the delay that runs ends if nothing changes before."""
        if raised:
            return self._off.due_at(self._rule.off_delay_s)
        return self._on.due_at(self._rule.on_delay_s)

    def held_s(self, *, raised: bool) -> float:
        """For how long what the delay waits for had held at the last look."""
        return (self._off if raised else self._on).held_s

    def values(self, figures: Figures, *, returned: bool, suppress: bool) -> dict[str, Value]:
        """The figures and windows that `when` rests on, and those of what else caused a move."""
        bearing = [self._when]
        if returned and self._until is not None:
            bearing.append(self._until)
        if suppress and self._suppress is not None:
            bearing.append(self._suppress)
        found: dict[str, Value] = {}
        for condition in bearing:
            found.update((name, figures.get(name)) for name in condition.expression.names)
            found.update(condition.windows())
        return found

    def windows(self) -> dict[str, Value]:
        """The newest value of each windowed function, by the text of its call."""
        found: dict[str, Value] = {}
        for condition in (self._when, self._stays, self._until, self._suppress):
            if condition is not None:
                found.update(condition.windows())
        return found

    def _stands(self, figures: Figures, when: bool | None) -> bool | None:
        """Whether what keeps a raised alarm raised holds."""
        if self._stays is not None:
            stays: bool | None = self._stays.value(figures)
            return stays
        if self._until is None:
            return when
        until = self._until.value(figures)
        # While `when` holds it would be raised again at once, whatever `until` says.
        if when is True or until is False:
            return True
        return None if when is None or until is None else False

    def _unknown(self, figures: Figures, *, raised: bool) -> tuple[str, ...]:
        conditions = [self._when]
        if raised and self._until is not None:
            conditions.append(self._until)
        return tuple(dict.fromkeys(n for c in conditions for n in c.unknown(figures)))


def _kept(condition: Condition | None) -> dict[str, Any] | None:
    if condition is None:
        return None
    return {"text": condition.expression.text, "windows": condition.snapshot()}


def _is_same(expression: Expression | None, saved: dict[str, Any] | None) -> bool:
    return expression is not None and saved is not None and saved["text"] == expression.text


def _going_on(expression: Expression | None, saved: dict[str, Any] | None) -> Condition | None:
    """An expression at work, from its saved windows if they are of the same text."""
    if expression is None:
        return None
    same = saved is not None and _is_same(expression, saved)
    return Condition(expression, saved["windows"] if same and saved is not None else None)
