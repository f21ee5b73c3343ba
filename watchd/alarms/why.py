"""Why an alarm is as it is: each part of its conditions with value and limit, and what runs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from watchd.alarms.alarm import Alarm
from watchd.alarms.part_times import conditions_of
from watchd.figures import Figures, Value, unit_sign
from watchd.language.parts import Joined, Limit, Part
from watchd.messages import Bearing, Wait, Why, WhyPart


def why(alarm: Alarm, figures: Figures, now: float) -> Why:
    """The alarm, the conditions that bear on it now, and the times that run.

    Ages and remaining times are seconds. `figures` are those of its subject at `now`.
    """
    windows = alarm.conditions.windows()
    alarm.look_at_parts(now, figures)
    conditions = conditions_of(alarm.rule)
    return {
        "alarm": alarm.key,
        "state": alarm.state,
        "condition": alarm.condition,
        "priority": alarm.rule.priority,
        "text": alarm.text,
        "raised_s": None if alarm.since is None else max(0.0, now - alarm.since),
        "changed_s": None if alarm.changed_at is None else max(0.0, now - alarm.changed_at),
        "occurrences": alarm.occurrences,
        "unknown": list(alarm.unknown),
        "conditions": {
            name: _tree(conditions[name], figures, windows, _ages(alarm, name, now))
            for name in _bearing(alarm, conditions)
        },
        "waits": list(_waits(alarm, now)),
    }


def _bearing(alarm: Alarm, conditions: Mapping[Bearing, Part]) -> Iterator[Bearing]:
    """The conditions that matter in the state in which the alarm is."""
    yield "stays" if alarm.is_raised and "stays" in conditions else "when"
    if alarm.is_raised and "until" in conditions:
        yield "until"
    if "suppress_when" in conditions:
        yield "suppress_when"


def _ages(alarm: Alarm, condition: Bearing, now: float) -> Iterator[float | None]:
    times = alarm.parts.since(condition) if alarm.parts is not None else []
    return iter([None if time is None else max(0.0, now - time) for time in times])


def _tree(
    part: Part, figures: Figures, windows: Mapping[str, Value], ages: Iterator[float | None]
) -> WhyPart:
    found: WhyPart = {"text": part.text, "holds": part.truth(figures, windows)}
    if part.joined is not Joined.NONE:
        found["joined"] = part.joined.value
        found["parts"] = [_tree(inner, figures, windows, ages) for inner in part.parts]
        return found
    found["for_s"] = next(ages, None)
    if part.limit is not None:
        _add_limit(found, part.limit, figures, windows)
    else:
        found["figure"] = part.text
        found["value"] = found["holds"]
    return found


def _add_limit(
    found: WhyPart, limit: Limit, figures: Figures, windows: Mapping[str, Value]
) -> None:
    edge = limit.limit.value(figures, windows)
    found["figure"] = limit.figure.text
    found["value"] = limit.figure.value(figures, windows)
    found["operator"] = limit.operator
    found["limit"] = limit.limit.text if limit.limit.expression is None else edge
    found["unit"] = unit_sign(limit.unit)
    if limit.limit.number is None and limit.limit.expression is not None:
        found["limit_from"] = limit.limit.text
    if limit.slack and isinstance(edge, float):
        found["deadband"] = abs(limit.slack)
        found["limit"] = edge - limit.slack


def _waits(alarm: Alarm, now: float) -> Iterator[Wait]:
    """The delays and times that run or stand still, each with what is left of it."""
    rule, raised = alarm.rule, alarm.is_raised
    delay_s = rule.off_delay_s if raised else rule.on_delay_s
    held_s = alarm.conditions.held_s(raised=raised)
    due = alarm.conditions.due_at(raised=raised)
    if due is not None or held_s:
        yield {
            "what": "off_delay" if raised else "on_delay",
            "of_s": delay_s,
            "left_s": max(0.0, delay_s - held_s if due is None else due - now),
            "runs": due is not None,
        }
    re_alarm_at = alarm.re_alarm_at()
    if re_alarm_at is not None:
        yield {"what": "re_alarm_time", "left_s": max(0.0, re_alarm_at - now), "runs": True}
    if alarm.shelf is not None:
        yield {"what": "shelved", "left_s": max(0.0, alarm.shelf.until - now), "runs": True}
