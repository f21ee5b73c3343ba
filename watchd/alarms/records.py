"""What is published of an alarm: its record, and what a phone should show."""

from __future__ import annotations

from typing import Any

from watchd.alarms.alarm import Alarm, State, Transition
from watchd.publish import rfc3339
from watchd.rules.rule import Priority


def alarm_record(alarm: Alarm, step_s: float = 0.0) -> dict[str, Any]:
    """The retained record of an alarm that is not normal. `step_s`: shown minus kept time."""
    rule = alarm.rule
    record: dict[str, Any] = {
        "rule": rule.name,
        "subject": alarm.subject,
        "state": str(alarm.state),
        "priority": str(rule.priority),
        "since": rfc3339(alarm.since + step_s) if alarm.since is not None else None,
        "value": alarm.values,
        "text": alarm.text,
        "cause": rule.cause,
        "consequence": rule.consequence,
        "response": rule.response,
        "occurrences": alarm.occurrences,
    }
    if alarm.unknown:
        record["unknown"] = list(alarm.unknown)
    return record


def is_annunciated(transition: Transition) -> bool:
    """Whether a person should hear of it: an alarm was raised that wants a response."""
    return (
        transition.state is State.UNACKNOWLEDGED
        and transition.rule.priority is not Priority.JOURNAL
    )


def annunciation(transition: Transition, step_s: float = 0.0) -> dict[str, Any]:
    """What a phone should show now. `step_s`: shown minus kept time."""
    rule = transition.rule
    return {
        "at": rfc3339(transition.at + step_s),
        "title": f"{transition.subject.split('/', 1)[1]}: {rule.name.replace('-', ' ')}",
        "text": transition.text,
        "priority": str(rule.priority),
        "alarm": f"{rule.name}/{transition.subject}",
        "consequence": rule.consequence,
        "response": rule.response,
    }
