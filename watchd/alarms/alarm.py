"""The life cycle of one alarm: one rule on one subject.

States have the words of ISA-18.2 (IEC 62682), as OPC 10000-9 gives them in open text. An
unknown condition changes nothing: the alarm keeps its state, and its delays stand still.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from watchd.figures import Figures, Value
from watchd.language.condition import Condition
from watchd.language.hold import Hold
from watchd.rules.rule import Rule


class State(StrEnum):
    """Where an alarm is in its life cycle."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"


RAISED = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})


@dataclass(frozen=True, slots=True)
class Transition:
    """A change of state, with the values that caused it."""

    at: float
    rule: Rule
    subject: str
    before: State
    state: State
    text: str
    values: Mapping[str, Value]

    @property
    def key(self) -> str:
        """The name of the alarm: RULE/SUBJECT."""
        return f"{self.rule.name}/{self.subject}"


class Alarm:
    """One rule on one subject. `names` are what its text may say beside figures."""

    __slots__ = (
        "_limit",
        "_names",
        "_off",
        "_on",
        "_stays",
        "_until",
        "_when",
        "charge_limit_a",
        "occurrences",
        "rule",
        "since",
        "state",
        "subject",
        "text",
        "unknown",
        "values",
    )

    def __init__(
        self,
        rule: Rule,
        subject: str,
        names: Mapping[str, str],
        saved: dict[str, Any] | None = None,
    ) -> None:
        self.rule, self.subject, self._names = rule, subject, names
        known = saved or {}
        self.state = State(known.get("state", State.NORMAL))
        self.since: float | None = known.get("since")
        self.occurrences: int = known.get("occurrences", 0)
        self.text: str = known.get("text", "")
        self.values: dict[str, Value] = known.get("values", {})
        self.unknown: tuple[str, ...] = tuple(known.get("unknown", ()))
        self._on, self._off = Hold(known.get("on")), Hold(known.get("off"))
        self._when = Condition(rule.when, known.get("when"))
        self._stays = Condition(rule.stays, known.get("stays")) if rule.stays else None
        self._until = Condition(rule.until, known.get("until")) if rule.until else None
        # The cap is no part of the digest: an edited one begins anew, and the alarm goes on.
        cap = rule.charge_limit
        same = cap is not None and known.get("charge_limit") == cap.text
        self._limit = Condition(cap, known["limit"] if same else None) if cap else None
        self.charge_limit_a: float | None = known["charge_limit_a"] if same else None

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the alarm goes on under a rule of the same digest."""
        return {
            "digest": self.rule.digest,
            "state": str(self.state),
            "since": self.since,
            "occurrences": self.occurrences,
            "text": self.text,
            "values": self.values,
            "unknown": list(self.unknown),
            "on": self._on.snapshot(),
            "off": self._off.snapshot(),
            "when": self._when.snapshot(),
            "stays": self._stays.snapshot() if self._stays else None,
            "until": self._until.snapshot() if self._until else None,
            "charge_limit": self.rule.charge_limit.text if self.rule.charge_limit else None,
            "limit": self._limit.snapshot() if self._limit else None,
            "charge_limit_a": self.charge_limit_a,
        }

    @property
    def key(self) -> str:
        """Its name: RULE/SUBJECT."""
        return f"{self.rule.name}/{self.subject}"

    @property
    def is_raised(self) -> bool:
        """Whether the abnormal condition stands."""
        return self.state in RAISED

    def due_at(self) -> float | None:
        """When a running delay ends if nothing changes before."""
        if self.is_raised:
            return self._off.due_at(self.rule.off_delay_s)
        return self._on.due_at(self.rule.on_delay_s)

    def evaluate(self, at: float, figures: Figures) -> Transition | None:
        """Take the figures as of `at`; the transition, where there is one."""
        when = self._when.update(at, figures)
        # Windows fill whether or not the alarm is raised.
        stands = self._stands(at, figures, when)
        limit = self._limit.update(at, figures) if self._limit else None
        self.unknown = self._unknown(figures, stands if self.is_raised else when)
        found = None
        if self.is_raised:
            self._off.update(at, None if stands is None else not stands)
            if self._off.reached(self.rule.off_delay_s):
                found = self._move(at, figures, self._returned())
                self._on.clear()
        else:
            self._on.update(at, when)
            if self._on.reached(self.rule.on_delay_s):
                self.since = at
                self.occurrences += 1
                self._off.clear()
                found = self._move(at, figures, State.UNACKNOWLEDGED)
        if not self.is_raised:
            self.charge_limit_a = None
        elif limit is not None:
            # Unknown lifts no cap: the last one stands.
            self.charge_limit_a = max(0.0, float(limit))
        return found

    def _stands(self, at: float, figures: Figures, when: bool | None) -> bool | None:
        """Whether what keeps a raised alarm raised holds."""
        if self._stays is not None:
            stays: bool | None = self._stays.update(at, figures)
            return stays
        if self._until is None:
            return when
        until = self._until.update(at, figures)
        # While `when` holds it would be raised again at once, whatever `until` says.
        if when is True or until is False:
            return True
        return None if when is None or until is None else False

    def _unknown(self, figures: Figures, decisive: bool | None) -> tuple[str, ...]:
        """The names that leave the alarm without an answer; none where it has one."""
        if decisive is not None:
            return ()
        conditions = [self._when]
        if self.is_raised and self._until is not None:
            conditions.append(self._until)
        return tuple(dict.fromkeys(n for c in conditions for n in c.unknown(figures)))

    def acknowledge(self, at: float) -> Transition | None:
        """A person has seen it. None where there is nothing to acknowledge."""
        if self.state is State.UNACKNOWLEDGED:
            return self._move(at, None, State.ACKNOWLEDGED)
        if self.state is State.RETURNED_UNACKNOWLEDGED:
            return self._move(at, None, State.NORMAL)
        return None

    def _returned(self) -> State:
        if self.state is State.ACKNOWLEDGED:
            return State.NORMAL
        return State.RETURNED_UNACKNOWLEDGED

    def _move(self, at: float, figures: Figures | None, state: State) -> Transition:
        before, self.state = self.state, state
        values = self.values if figures is None else self._values(figures)
        if figures is not None and state is State.UNACKNOWLEDGED:
            # The record tells of the raise; what it was like at the return, the transition alone.
            self.values = values
            self.text = self.rule.say.fill({**figures, **self._names})
        if state is State.NORMAL:
            self.since = None
            self.occurrences = 0
        return Transition(at, self.rule, self.subject, before, state, self.text, values)

    def _values(self, figures: Figures) -> dict[str, Value]:
        """What the condition and the text name."""
        said = (name for _, name, _ in self.rule.say.parts if name is not None)
        names = (*self.rule.when.names, *(name for name in said if name not in self._names))
        return {name: figures.get(name) for name in names}
