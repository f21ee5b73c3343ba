"""The life cycle of one alarm: one rule on one subject.

An unknown condition changes nothing: the alarm keeps its state, and its delays stand still. What
people do (shelve, take out of service) and what the design does (suppress) hides the alarm from
people only; behind it, the condition goes on being evaluated and journalled.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from watchd.alarms.chatter import RAISES, WITHIN_S, Chatter
from watchd.alarms.conditions import Conditions
from watchd.alarms.limits import limit_said
from watchd.alarms.part_times import PartTimes
from watchd.alarms.roll import Roll
from watchd.alarms.shelf import Shelf
from watchd.alarms.state import LATCHED, RAISED, WITHHELD, Event, State, Told, Transition
from watchd.figures import Figures, Value
from watchd.rules.rule import Rule

# An alarm that stands for longer than a day is called stale (ISA-18.2, EEMUA 191).
STALE_AFTER_S = 86400.0
NEVER = float("inf")
NOTHING: Sequence[Transition] = ()
UNTOLD: Mapping[str, Value] = {}  # the values of all that was never raised
ACKNOWLEDGING = {
    State.UNACKNOWLEDGED: State.ACKNOWLEDGED,
    State.RETURNED_UNACKNOWLEDGED: State.NORMAL,
    State.LATCHED_UNACKNOWLEDGED: State.LATCHED_ACKNOWLEDGED,
}


class Alarm:
    """One rule on one subject. `names` are what its text may say beside figures.

    `condition` is the state of its condition, `state` what people see of it. With `explains`, it
    notes when each part of its conditions changed.

    `is_awake`: it is looked at whenever there are new figures. One that is not is at rest, and what
    it has of figures is of the time when it was looked at last.
    """

    __slots__ = (
        "_chatter",
        "_covered",
        "_names",
        "_place",
        "_roll",
        "_timer_at",
        "_told_at",
        "_told_of",
        "changed_at",
        "condition",
        "conditions",
        "first_of_group",
        "held",
        "is_awake",
        "is_stale",
        "is_suppressed",
        "limit",
        "occurrences",
        "out_of_service",
        "parts",
        "rule",
        "shelf",
        "since",
        "subject",
        "text",
        "title",
        "values",
    )

    def __init__(
        self,
        rule: Rule,
        subject: str,
        names: Mapping[str, str],
        saved: Mapping[str, Any] | None = None,
        *,
        explains: bool = False,
    ) -> None:
        self.rule, self.subject, self._names = rule, subject, names
        self.is_awake = True
        self._roll: Roll | None = None
        self._place = 0
        known = saved or {}
        self.condition = State(known.get("state", State.NORMAL))
        self.conditions = Conditions(rule, known.get("conditions", {}))
        self.since: float | None = known.get("since")
        self.changed_at: float | None = known.get("changed_at")
        self.occurrences: int = known.get("occurrences", 0)
        self.title: str = known.get("title", "")
        self.text: str = known.get("text", "")
        self.limit: str = known.get("limit", "")  # that the number in the text is held against
        self.values: Mapping[str, Value] = known.get("values", UNTOLD)
        self.is_suppressed: bool = known.get("is_suppressed", False)
        self.out_of_service: bool = bool(known.get("out_of_service"))
        shelf = known.get("shelf")
        self.shelf: Shelf | None = Shelf(**shelf) if shelf else None
        self.is_stale: bool = known.get("is_stale", False)
        self.first_of_group: str | None = known.get("first_of_group")  # which was raised first
        self._chatter = Chatter(known.get("chatter"))
        # Whether people were told of this occurrence, and when last.
        self._told_of: bool = known.get("told_of", self.condition is not State.NORMAL)
        self._told_at: float | None = known.get("told_at")
        # Why nobody is told: of this occurrence, for good; and as long as something else says it.
        held, covered = known.get("held"), known.get("covered")
        self.held: Told | None = Told(held) if held else None
        self._covered: Told | None = Told(covered) if covered else None
        self.parts = PartTimes(rule, known.get("parts")) if explains else None
        self._set_timer()

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the alarm goes on under a rule of the same digest."""
        return {
            "digest": self.rule.digest,
            "state": str(self.condition),
            "shown": str(self.state),
            "conditions": self.conditions.snapshot(self.unknown),
            "since": self.since,
            "changed_at": self.changed_at,
            "occurrences": self.occurrences,
            "title": self.title,
            "text": self.text,
            "limit": self.limit,
            "values": dict(self.values),
            "is_suppressed": self.is_suppressed,
            "out_of_service": self.out_of_service,
            "shelf": self.shelf.snapshot() if self.shelf else None,
            "is_stale": self.is_stale,
            "first_of_group": self.first_of_group,
            "chatter": self._chatter.snapshot(),
            "told_of": self._told_of,
            "told_at": self._told_at,
            "held": self.held,
            "covered": self._covered,
            "parts": self.parts.snapshot() if self.parts else None,
        }

    @property
    def key(self) -> str:
        """Its name: RULE/SUBJECT."""
        return f"{self.rule.name}/{self.subject}"

    @property
    def bank(self) -> str:
        """The bank that it is about, or whose pack; empty for watchd itself."""
        return self._names.get("bank", "")

    @property
    def state(self) -> State:
        """What people see of it."""
        if self.out_of_service:
            return State.OUT_OF_SERVICE
        if self.shelf is not None:
            return State.SHELVED
        return State.SUPPRESSED_BY_DESIGN if self.is_suppressed else self.condition

    @property
    def is_raised(self) -> bool:
        """Whether the abnormal condition stands."""
        return self.condition in RAISED

    @property
    def is_chattering(self) -> bool:
        """Whether it is raised again and again."""
        return self._chatter.is_chattering

    @property
    def unknown(self) -> tuple[str, ...]:
        """The names that leave its condition without an answer."""
        if self.is_awake or self._roll is None:
            return self.conditions.unknown
        return self.conditions.unknown_of(self._roll.figures)

    @property
    def is_at_rest(self) -> bool:
        """Whether time alone and unknown figures change nothing of it, nor any but those that make
        its condition true, or what suppresses it.
        """
        return (
            self.condition is State.NORMAL
            and self._timer_at == NEVER
            and self.conditions.is_still
            and self.state is State.NORMAL
        )

    @property
    def charge_limit_a(self) -> float | None:
        """What it caps the charge current at: nothing while it has no meaning or is not trusted."""
        hidden = self.out_of_service or self.is_suppressed or not self.rule.annunciate
        return None if hidden or not self.is_raised else self.conditions.cap_a

    def due_at(self) -> float | None:
        """When a delay or another time ends if nothing changes before."""
        due = self.conditions.due_at(raised=self.is_raised)
        if due is None:
            return self._timer_at if self._timer_at < NEVER else None
        return min(due, self._timer_at)

    def re_alarm_at(self) -> float | None:
        """When it is annunciated again if it still stands; at once, if nobody was told of it yet.

        The latter is so of one that stands when its rule is no longer silent, or when what said it
        before it is over.
        """
        waits = self.is_raised and self.state not in WITHHELD and not self.rule.is_silent
        if not waits or self._covered is not None:
            return None
        if not self._told_of and self.held is None:
            return self.since
        if self.rule.re_alarm_s is None or self._told_at is None:
            return None
        return self._told_at + self.rule.re_alarm_s

    # --- figures and time ---

    def enrol(self, roll: Roll, place: int) -> None:
        """It is one of several that are looked at together, each at its place."""
        self._roll, self._place = roll, place

    def evaluate(self, at: float, figures: Figures) -> Sequence[Transition]:
        """Take the figures as of `at`; the transitions, where there are any."""
        self.conditions.fill(at, figures)
        found = self.look(at, figures)
        if self.parts is not None and at >= self.parts.look_at:
            self.look_at_parts(at, figures)
        return found

    def look_at_parts(self, at: float, figures: Figures) -> None:
        """Note which parts of its conditions have changed, if somebody may ask."""
        if self.parts is not None:
            self.parts.look(at, figures, self.conditions.windows())
            if self._roll is not None:
                self._roll.apart.append(self._place)

    def look(self, at: float, figures: Figures) -> Sequence[Transition]:
        """As `evaluate`, where the windows are filled and somebody else looks at parts in time."""
        conditions = self.conditions
        conditions.update(at, figures, raised=self.condition in RAISED)
        calm = not conditions.moves and at < self._timer_at
        if calm and (conditions.suppresses is None or conditions.suppresses is self.is_suppressed):
            return NOTHING
        found = self._changes(at, figures)
        if found:
            self.look_at_parts(at, figures)
        return found

    def _changes(self, at: float, figures: Figures) -> list[Transition]:
        conditions = self.conditions
        found: list[Transition] = []
        if conditions.suppresses is True and not self.is_suppressed:
            before, self.is_suppressed = self.state, True
            found.append(self._move(at, Event.SUPPRESSED, figures=figures, before=before))
        if conditions.moves:
            found.extend((self._return if self.is_raised else self._raise)(at, figures))
        if conditions.suppresses is False and self.is_suppressed:
            found.append(self._unsuppressed(at, figures))
        if at >= self._timer_at:
            found.extend(self._timed(at, figures))
        return found

    def _raise(self, at: float, figures: Figures) -> list[Transition]:
        self.since = at
        self.occurrences += 1
        self.conditions.moved(raised=True)
        self.held = None
        begins = self._chatter.raised(at)
        told = self._telling(Told.CHATTERING if begins else self._unless_chattering())
        self._told_of, self._told_at = told in (Told.YES, Told.CHATTERING), at
        found = [self._move(at, Event.RAISED, State.UNACKNOWLEDGED, figures, told)]
        if begins:
            found.append(self._move(at, Event.CHATTERING, figures=figures, told=self._telling()))
        return found

    def _return(self, at: float, figures: Figures) -> list[Transition]:
        self.conditions.moved(raised=False)
        self.is_stale = False
        seen = self.condition is State.ACKNOWLEDGED
        # What nobody was told of, and is gone, asks nobody to acknowledge.
        unheard = not self._told_of and self.state not in WITHHELD
        if self.rule.is_silent or (unheard and not self.rule.latching):
            state = State.NORMAL
        elif self.rule.latching:
            state = State.LATCHED_ACKNOWLEDGED if seen else State.LATCHED_UNACKNOWLEDGED
        else:
            state = State.NORMAL if seen else State.RETURNED_UNACKNOWLEDGED
        found = [self._move(at, Event.RETURNED, state, figures)]
        if self.shelf is not None and self.shelf.until_cleared:
            found.append(self._unshelved(at))
        return found

    def _timed(self, at: float, figures: Figures) -> list[Transition]:
        """What time alone brings: a shelf that ends, an alarm told again, stale, or steady."""
        found = []
        if self.shelf is not None and at >= self.shelf.until:
            found.append(self._unshelved(at))
        if at >= self._chatter.steady_at():
            self._chatter.steadied()
            found.append(self._move(at, Event.STEADY, figures=figures))
        re_alarm_at = self.re_alarm_at()
        # Of what is unknown by now, nobody can say that it still stands.
        if re_alarm_at is not None and at >= re_alarm_at and not self.conditions.unknown:
            told = self._telling(self._unless_chattering())
            self._told_of, self._told_at = True, at
            found.append(self._move(at, Event.RE_ALARMED, State.UNACKNOWLEDGED, figures, told))
        if self.is_raised and not self.is_stale and at >= (self.since or 0.0) + STALE_AFTER_S:
            self.is_stale = True
            found.append(self._move(at, Event.STALE, figures=figures))
        return found

    def _unsuppressed(self, at: float, figures: Figures) -> Transition:
        before, self.is_suppressed = self.state, False
        state, told = self.condition, Told.NO
        if not self._told_of and self.state not in WITHHELD:
            if state is State.RETURNED_UNACKNOWLEDGED:
                # It came and went while it had no meaning: nobody is asked.
                state = State.NORMAL
            told = Told.NO if state is State.NORMAL else self._telling()
        return self._move(at, Event.UNSUPPRESSED, state, figures, told, before=before)

    # --- what people do; None where there is nothing to do ---

    def acknowledge(self, at: float, by: str = "") -> Transition | None:
        """A person has seen it."""
        after = ACKNOWLEDGING.get(self.condition)
        if after is None:
            return None
        self._told_of = True  # who acknowledges it knows of it, told or not
        return self._move(at, Event.ACKNOWLEDGED, after, by=by)

    def reset(self, at: float, by: str = "") -> Transition | None:
        """A person lets go of a latched alarm; only when it has returned and was acknowledged."""
        if self.condition is not State.LATCHED_ACKNOWLEDGED:
            return None
        return self._move(at, Event.RESET, State.NORMAL, by=by)

    def shelve(self, at: float, shelf: Shelf) -> Transition | None:
        """A person puts it aside, or changes for how long; not while it is out of service."""
        if self.out_of_service:
            return None
        before, self.shelf = self.state, shelf
        return self._move(at, Event.SHELVED, by=shelf.by, before=before)

    def unshelve(self, at: float, by: str = "") -> Transition | None:
        """A person takes it up again."""
        return None if self.shelf is None else self._unshelved(at, by)

    def remove_from_service(self, at: float, by: str = "") -> Transition | None:
        """Maintenance begins: nobody is told until it is returned to service."""
        if self.out_of_service:
            return None
        before, self.out_of_service, self.shelf = self.state, True, None
        return self._move(at, Event.REMOVED_FROM_SERVICE, by=by, before=before)

    def return_to_service(self, at: float, by: str = "") -> Transition | None:
        """Maintenance has ended."""
        if not self.out_of_service:
            return None
        before, self.out_of_service = self.state, False
        return self._taken_up(at, Event.RETURNED_TO_SERVICE, before, by)

    def _unshelved(self, at: float, by: str = "") -> Transition:
        before, self.shelf = self.state, None
        return self._taken_up(at, Event.UNSHELVED, before, by)

    def _taken_up(self, at: float, event: Event, before: State, by: str) -> Transition:
        """Back from where a person had put it: what stands is told anew, what is gone is over."""
        state, told = self.condition, Told.NO
        if self.state not in WITHHELD and not self.rule.is_silent:
            if self.is_raised:
                state, told = State.UNACKNOWLEDGED, self._telling()
            elif state is State.RETURNED_UNACKNOWLEDGED:
                state = State.NORMAL
            elif state in LATCHED and not self._told_of:
                told = self._telling()
        return self._move(at, event, state, told=told, before=before, by=by)

    # --- what is told elsewhere ---

    def cover(self, why: Told | None) -> None:
        """From now on something else says it (None: no longer), and nobody is told of this one.

        What stands then and was not told is told when this ends.
        """
        self._covered = why
        self._set_timer()

    def holds_back(self, why: Told) -> None:
        """Nobody was told of what just happened, and is not while it stands before the re-alarm."""
        self.held, self._told_of = why, False
        self._chatter.untold()
        self._set_timer()

    # --- moving ---

    def _telling(self, told: Told = Told.YES) -> Told:
        """Whether people are to be told of what happens now, and if not, why."""
        if self.rule.is_silent:
            return Told.SILENT
        if self.state in WITHHELD:
            return Told.WITHHELD
        return told if self._covered is None else self._covered

    def _unless_chattering(self) -> Told:
        """It is held back where people know that it chatters."""
        return Told.CHATTERING if self._chatter.is_told else Told.YES

    def _move(
        self,
        at: float,
        event: Event,
        condition: State | None = None,
        figures: Figures | None = None,
        told: Told = Told.NO,
        before: State | None = None,
        by: str = "",
    ) -> Transition:
        """Take a new state (or stay), and say so. Without `figures` they are those of the raise."""
        before = self.state if before is None else before
        self.condition = self.condition if condition is None else condition
        self.changed_at = at
        values = self.values if figures is None else self._values(event, figures)
        if figures is not None and event in (Event.RAISED, Event.RE_ALARMED):
            # The record tells of the raise; what it was like at the return, the transition alone.
            self.values = values
            known = {**figures, **self._names}
            self.title = self.rule.title.fill(known) if self.rule.title is not None else ""
            self.text = self.rule.say.fill(known)
            self.limit = limit_said(self.rule, figures, self.conditions.windows())
        text = self.text
        if event is Event.CHATTERING:
            text = f"{text} (chattering: raised {RAISES} times in {WITHIN_S:.0f} s)"
        if told is Told.YES:
            self._told_of, self._told_at, self.held = True, at, None
            self._chatter.told()
        elif told in (Told.STALE, Told.FOLLOWS):
            self._told_of = False
        if self.condition is State.NORMAL:
            self.since, self.is_stale, self._told_of, self.held = None, False, False, None
            self.first_of_group = None
            self.occurrences = 0
        self._set_timer()
        return Transition(
            at, self.rule, self.subject, event, before, self.state, self.condition, text,
            values, by, told,
        )  # fmt: skip

    def _set_timer(self) -> None:
        """When time alone may move it next."""
        due = self._chatter.steady_at()
        if self.shelf is not None:
            due = min(due, self.shelf.until)
        re_alarm_at = self.re_alarm_at()
        if re_alarm_at is not None:
            due = min(due, re_alarm_at)
        if self.is_raised and not self.is_stale and self.since is not None:
            due = min(due, self.since + STALE_AFTER_S)
        self._timer_at = due
        if not self.is_awake and not self.is_at_rest:
            self._wake()

    def _wake(self) -> None:
        """Something but figures moved it: it is at rest no more."""
        if self._roll is not None:
            self.conditions.unknown = self.conditions.unknown_of(self._roll.figures)
            self._roll.woken.append(self._place)
        self.is_awake = True

    def _values(self, event: Event, figures: Figures) -> dict[str, Value]:
        """What the conditions that caused the event rest on, and what the text names."""
        found = self.conditions.values(
            figures,
            returned=event is Event.RETURNED,
            suppress=event in (Event.SUPPRESSED, Event.UNSUPPRESSED),
        )
        said = (name for _, name, _ in self.rule.say.parts if name is not None)
        found.update((name, figures.get(name)) for name in said if name not in self._names)
        return found
