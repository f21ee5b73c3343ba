"""What is published and kept of an alarm: its record, its annunciation, its line in the journal."""

from __future__ import annotations

from watchd.alarms.alarm import Alarm
from watchd.alarms.said import default_title, message_of, title_of
from watchd.alarms.state import WITHHELD, Transition
from watchd.messages import AlarmRecord, Annunciation, JournalEntry
from watchd.publish import rfc3339


def alarm_record(alarm: Alarm, step_s: float = 0.0) -> AlarmRecord:
    """The retained record of an alarm that is not normal. `step_s`: shown minus kept time."""
    rule = alarm.rule
    record: AlarmRecord = {
        "rule": rule.name,
        "subject": alarm.subject,
        "state": alarm.state,
        "priority": rule.priority,
        "since": rfc3339(alarm.since + step_s) if alarm.since is not None else None,
        "value": alarm.values,
        "title": alarm.title or default_title(rule, alarm.subject),
        "text": alarm.text,
        "cause": rule.cause,
        "consequence": rule.consequence,
        "response": rule.response,
        "occurrences": alarm.occurrences,
    }
    if rule.caution:
        record["caution"] = rule.caution
    if alarm.limit:
        record["limit"] = alarm.limit
    if alarm.unknown:
        record["unknown"] = list(alarm.unknown)
    if alarm.state in WITHHELD:
        record["condition"] = alarm.condition
    if alarm.shelf is not None:
        record["shelved_until"] = rfc3339(alarm.shelf.until + step_s)
        if alarm.shelf.until_cleared:
            record["until_cleared"] = True
    if alarm.first_of_group is not None:
        record["group"] = rule.group
        record["first_of_group"] = alarm.first_of_group
    if alarm.is_chattering:
        record["chattering"] = True
    if alarm.is_stale:
        record["stale"] = True
    if rule.is_silent:
        record["annunciate"] = False
    return record


def annunciation(transition: Transition, alarm: Alarm, step_s: float = 0.0) -> Annunciation:
    """What a phone should show now. `step_s`: shown minus kept time."""
    rule = transition.rule
    said: Annunciation = {
        "at": rfc3339(transition.at + step_s),
        "title": title_of(transition, alarm),
        "text": transition.text,
        "message": message_of(transition, alarm),
        "priority": rule.priority,
        "alarm": transition.key,
        "event": transition.event,
        "consequence": rule.consequence,
        "response": rule.response,
    }
    if rule.caution:
        said["caution"] = rule.caution
    if alarm.first_of_group is not None and alarm.first_of_group != transition.key:
        said["first_of_group"] = alarm.first_of_group
    return said


def journal_entry(transition: Transition, step_s: float = 0.0) -> JournalEntry:
    """A transition as plain data, for the journal. `at`: Unix seconds as the clock showed them."""
    entry: JournalEntry = {
        "at": round(transition.at + step_s, 3),
        "alarm": transition.key,
        "event": transition.event,
        "before": transition.before,
        "state": transition.state,
        "condition": transition.condition,
        "priority": transition.rule.priority,
        "told": transition.told,
        "by": transition.by,
        "text": transition.text,
        "values": dict(transition.values),
    }
    if transition.by_how is not None:
        entry["by_how"] = transition.by_how
    if transition.claim:
        entry["claim"] = transition.claim
    return entry
