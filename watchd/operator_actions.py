"""Does what people ask of alarms: acknowledge, reset, shelve, take out of service, tell of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from watchd.alarms.alarm import Alarm
from watchd.alarms.records import alarm_record
from watchd.alarms.shelf import Shelf
from watchd.alarms.state import LATCHED, RAISED, ByHow, State, Transition
from watchd.alarms.why import why
from watchd.durations import show_duration
from watchd.figures import Figures
from watchd.publish import Publish
from watchd.reanchor_actions import ReanchorActions
from watchd.reception import Received
from watchd.requests import (
    Do,
    JournalQuery,
    ReanchorDo,
    Request,
    RequestError,
    answer,
    find_alarm,
    parse_request,
)

MOST_LISTED = 500


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a request: an answer to send, and what the engine has to do about it."""

    answer: Publish | None = None
    transition: Transition | None = None
    query: JournalQuery | None = None
    refused: str | None = None
    renewed: str | None = None  # a pack whose re-anchoring may be in another step


class OperatorActions:
    """Carries out requests on the alarms. Those about the journal are the shell's.

    `figures_of` gives the figures that a rule about a subject sees, `audit` the sheets and findings
    of one pack and its bank, or of all. `about_to_change` is told a subject before anything of it
    becomes another.
    """

    def __init__(
        self,
        alarms: Mapping[str, Alarm],
        longest_shelve_s: float,
        figures_of: Callable[[str], Figures],
        audit: Callable[[str | None], dict[str, Any]],
        reanchoring: ReanchorActions,
        about_to_change: Callable[[str], None],
    ) -> None:
        self._alarms, self._figures_of, self._audit = alarms, figures_of, audit
        self._reanchoring, self._about_to_change = reanchoring, about_to_change
        self._longest_shelve_s = longest_shelve_s

    def take(
        self, payload: bytes, received: Received, correlation: bytes, now: float, step_s: float
    ) -> Outcome:
        """Do what a request asks, and answer if there is a topic for it.

        `now` is kept time, `step_s` shown minus kept time.
        """
        transition: Transition | None = None
        topic = received.answer_to
        try:
            claimed = parse_request(payload)
            request = _named(claimed, received.asker)
            if request.do is Do.HISTORY:
                shown = now + step_s
                return Outcome(query=self._query(request, topic, correlation, shown))
            if request.reanchor is not None:
                self._about_to_change(f"pack/{request.reanchor.pack}")
                told = self._reanchoring.take(request.reanchor, now, step_s)
                asks = request.reanchor.step is not ReanchorDo.LOOK
                pack = request.reanchor.pack if asks else None
                return Outcome(_answer(topic, told, correlation), renewed=pack)
            data, transition = self._do(request, now, step_s)
            if transition is not None:
                transition = _vouched(transition, claimed.by, received.asker)
        except RequestError as error:
            refused = str(error)
            data = {"ok": False, "error": refused}
            return Outcome(_answer(topic, data, correlation), refused=refused)
        return Outcome(_answer(topic, data, correlation), transition)

    def _query(
        self, request: Request, topic: str | None, correlation: bytes, shown: float
    ) -> JournalQuery | None:
        """What the shell is to look up, where there is somebody to tell."""
        if topic is None:
            return None
        key = self._find(request.alarm).key if request.alarm else None
        since = 0.0 if request.since_s is None else shown - request.since_s
        return JournalQuery(key, since, topic, correlation)

    def _find(self, name: str) -> Alarm:
        keys = {key: alarm.state is not State.NORMAL for key, alarm in self._alarms.items()}
        return self._alarms[find_alarm(name, keys)]

    def _do(
        self, request: Request, now: float, step_s: float
    ) -> tuple[Mapping[str, Any], Transition | None]:
        """The answer, and the transition if there is one. Raises RequestError."""
        if request.do is Do.LIST:
            return self._list(request, step_s), None
        if request.do is Do.AUDIT:
            return {"ok": True, **self._audit(request.pack)}, None
        alarm = self._find(request.alarm)
        if request.do is Do.WHY:
            return {"ok": True, "why": why(alarm, self._figures_of(alarm.subject), now)}, None
        self._about_to_change(alarm.subject)
        transition = self._act(request, alarm, now)
        if transition is None:
            raise RequestError(f"{alarm.key} is {_plain(alarm)}: {_reason(request.do, alarm)}")
        return {"ok": True, "alarm": alarm.key, "state": alarm.state}, transition

    def _act(self, request: Request, alarm: Alarm, now: float) -> Transition | None:
        by = request.by
        match request.do:
            case Do.ACKNOWLEDGE:
                return alarm.acknowledge(now, by)
            case Do.RESET:
                return alarm.reset(now, by)
            case Do.SHELVE:
                return alarm.shelve(now, self._shelf(request, now))
            case Do.UNSHELVE:
                return alarm.unshelve(now, by)
            case Do.OUT_OF_SERVICE:
                return alarm.remove_from_service(now, by)
            case Do.IN_SERVICE:
                return alarm.return_to_service(now, by)
        raise RequestError(f"'{request.do}' is not done here")

    def _shelf(self, request: Request, now: float) -> Shelf:
        longest_s = self._longest_shelve_s
        if request.for_s is not None and request.for_s > longest_s:
            raise RequestError(
                f"{show_duration(request.for_s)} is longer than alarms: longest_shelve allows "
                f"({show_duration(longest_s)})"
            )
        until = now + (request.for_s if request.for_s is not None else longest_s)
        return Shelf(until, request.until_cleared, request.by)

    def _list(self, request: Request, step_s: float) -> dict[str, Any]:
        wanted = [a for a in self._alarms.values() if request.whole or _concerns_people(a)]
        shown = [{"alarm": a.key, **alarm_record(a, step_s)} for a in wanted[:MOST_LISTED]]
        return {"ok": True, "alarms": shown, "left_out": len(wanted) - len(shown)}


def _named(request: Request, asker: str | None) -> Request:
    """The request as from who its topic says; else as from who it says itself."""
    if asker is None:
        return request
    reanchor = request.reanchor
    return replace(
        request, by=asker, reanchor=None if reanchor is None else replace(reanchor, by=asker)
    )


def _vouched(transition: Transition, claim: str, asker: str | None) -> Transition:
    """With how its `by` is known, and what the request itself said where that is another."""
    if asker is None:
        return replace(transition, by_how=ByHow.CLAIM) if claim else transition
    return replace(transition, by_how=ByHow.TOPIC, claim="" if claim == asker else claim)


def _concerns_people(alarm: Alarm) -> bool:
    """Whether it is not normal; what the design alone has put aside, with nothing behind it, is."""
    visible = alarm.state is not State.SUPPRESSED_BY_DESIGN
    return alarm.condition is not State.NORMAL or (visible and alarm.state is not State.NORMAL)


def _answer(topic: str | None, data: Mapping[str, Any], correlation: bytes) -> Publish | None:
    return None if topic is None else answer(topic, data, correlation)


def _plain(alarm: Alarm) -> str:
    return str(alarm.state).replace("_", " ")


def _reason(do: Do, alarm: Alarm) -> str:
    """Why there is nothing to do."""
    if do is Do.RESET and alarm.condition in RAISED:
        return "its condition still stands" + (
            "" if alarm.rule.latching else ", and it does not latch"
        )
    if do is Do.RESET and alarm.condition in LATCHED:
        return "acknowledge it first"
    return {
        Do.ACKNOWLEDGE: "there is nothing to acknowledge",
        Do.RESET: "there is nothing to reset",
        Do.SHELVE: "return it to service before it is shelved",
        Do.UNSHELVE: "it is not shelved",
        Do.OUT_OF_SERVICE: "it is so already",
        Do.IN_SERVICE: "it is in service already",
    }.get(do, "there is nothing to do")
