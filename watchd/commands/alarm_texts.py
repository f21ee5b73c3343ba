"""What `watchd alarms` prints: for a narrow terminal, one fact a line."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from watchd.durations import show_duration
from watchd.language.texts import show_value
from watchd.rules.rule import Priority

_RANK = {str(priority): rank for rank, priority in enumerate(Priority)}
_HOLDS = {True: "yes", False: "no", None: "unknown"}
_OPERATORS = {
    ">": "above",
    ">=": "at least",
    "<": "below",
    "<=": "at most",
    "==": "equal to",
    "!=": "other than",
    "in": "one of",
    "not in": "none of",
}
_CONDITIONS = {
    "when": "It is raised when",
    "stays": "It stays raised while",
    "until": "It ends only when",
    "suppress_when": "It is suppressed by design when",
}
_JOINED = {"all": "all of these hold", "any": "any of these holds", "not": "this does not hold"}
_WAITS = {
    "on_delay": "on-delay",
    "off_delay": "off-delay",
    "re_alarm_time": "told again",
    "shelved": "shelved",
}


def list_lines(answer: dict[str, Any]) -> Iterator[str]:
    """The alarms of a list, the most urgent first."""
    alarms = sorted(
        answer["alarms"], key=lambda a: (_RANK[a["priority"]], not a["since"], a["since"] or "")
    )
    if not alarms:
        yield "nothing stands: every alarm is normal"
    groups: dict[str, list[dict[str, Any]]] = {}
    for alarm in alarms:
        groups.setdefault(alarm.get("first_of_group") or alarm["alarm"], []).append(alarm)
    for most_urgent, *others in groups.values():
        yield from _alarm_lines(most_urgent, "")
        if others:
            yield "  and with it:"
        for other in others:
            yield from _alarm_lines(other, "    ")
    if answer.get("left_out"):
        yield f"and {answer['left_out']} more"


def _alarm_lines(alarm: dict[str, Any], lead: str) -> Iterator[str]:
    yield f"{lead}{alarm['alarm']}  ({alarm['priority']})"
    yield f"{lead}  {_state(alarm)}"
    if alarm["text"] and alarm.get("title"):
        yield f"{lead}  {alarm['title']}"
    if alarm["text"]:
        limit = f"; limit {alarm['limit']}" if alarm.get("limit") else ""
        yield f"{lead}  {alarm['text']}{limit}"


def _state(alarm: dict[str, Any]) -> str:
    parts = [_words(alarm["state"])]
    if "condition" in alarm:
        parts[0] += f" ({_words(alarm['condition'])} behind it)"
    if "shelved_until" in alarm:
        parts.append(f"until {_clock(alarm['shelved_until'])}")
    if alarm.get("until_cleared"):
        parts.append("or until it has returned")
    if alarm["since"]:
        parts.append(f"raised {_clock(alarm['since'])}")
    if alarm["occurrences"] > 1:
        parts.append(f"{alarm['occurrences']} times")
    parts += [word for word in ("chattering", "stale") if alarm.get(word)]
    if alarm.get("annunciate") is False:
        parts.append("silent")
    if alarm.get("first_of_group") not in (None, alarm["alarm"]):
        parts.append(f"after {alarm['first_of_group']}")
    if alarm.get("unknown"):
        parts.append(f"unknown: {', '.join(alarm['unknown'])}")
    return ", ".join(parts)


def why_lines(told: dict[str, Any]) -> Iterator[str]:
    """Why an alarm is as it is, in plain words."""
    yield f"{told['alarm']}: {_words(told['state'])}, priority {told['priority']}"
    if told["condition"] != told["state"]:
        yield f"Behind it the condition is {_words(told['condition'])}."
    if told["raised_s"] is not None:
        times = f", {told['occurrences']} times" if told["occurrences"] > 1 else ""
        yield f"Raised {_lasting(told['raised_s'])} ago{times}: {told['text']}"
    if told["changed_s"] is not None:
        yield f"It last changed {_lasting(told['changed_s'])} ago."
    for name, tree in told["conditions"].items():
        yield ""
        joined = _JOINED.get(tree.get("joined", ""), "this holds")
        yield f"{_CONDITIONS[name]} {joined}:"
        yield from _tree_lines(tree, 1, nested=False)
    yield ""
    if not told["waits"]:
        yield "No delay runs."
    for wait in told["waits"]:
        left = _lasting(wait["left_s"])
        of = f" of {_lasting(wait['of_s'])}" if "of_s" in wait else ""
        what = f"{left} left{of}" if wait["runs"] else f"stands still, {left} left{of}"
        yield f"{_WAITS[wait['what']]}: {what}"


def _tree_lines(tree: dict[str, Any], depth: int, *, nested: bool) -> Iterator[str]:
    lead = "  " * depth
    if "parts" not in tree:
        yield from _leaf_lines(tree, lead)
        return
    if nested:
        yield f"{lead}{_HOLDS[tree['holds']]:<8} {_JOINED[tree['joined']]}:"
        depth += 1
    for part in tree["parts"]:
        yield from _tree_lines(part, depth, nested=True)


def _leaf_lines(tree: dict[str, Any], lead: str) -> Iterator[str]:
    holds, value = tree["holds"], tree["value"]
    age = "" if tree.get("for_s") is None else f", for {_lasting(tree['for_s'])}"
    begin = f"{lead}{_HOLDS[holds]:<8} {tree['figure']}"
    if "operator" not in tree:
        yield f"{begin} is {_shown(value, '')}{age}"
        return
    unit = tree["unit"]
    limit = tree["limit"] if isinstance(tree["limit"], str) else _shown(tree["limit"], unit)
    operator = _OPERATORS[tree["operator"]]
    if holds is None:
        yield f"{begin} is {_shown(value, unit)}; limit: {operator} {limit}{age}"
    else:
        yield f"{begin} is {_shown(value, unit)}, {'' if holds else 'not '}{operator} {limit}{age}"
    notes = [f"limit: {tree['limit_from']}"] if "limit_from" in tree else []
    if "deadband" in tree:
        notes.append(f"with the deadband of {_shown(tree['deadband'], unit)}")
    if notes:
        yield f"{lead}{'':<8} ({', '.join(notes)})"


def _lasting(seconds: float) -> str:
    """A duration without the digits that nobody reads: 24 min, not 23.9 min."""
    grain = next((g for g in (86400, 3600, 60) if seconds >= 10 * g), 1)
    return show_duration(round(seconds / grain) * grain)


def _shown(value: Any, unit: str) -> str:
    text = show_value(tuple(value) if isinstance(value, list) else value)
    return f"{text} {unit}" if unit and value is not None else text


def history_lines(entries: list[dict[str, Any]]) -> Iterator[str]:
    """The journal, oldest first."""
    if not entries:
        yield "nothing was recorded in that time"
    for entry in entries:
        moment = datetime.fromtimestamp(entry["at"], UTC).strftime("%Y-%m-%d %H:%M:%S")
        yield f"{moment}  {entry['alarm']}"
        yield f"  {_happened(entry)}"
        if entry["event"] in ("raised", "re_alarmed", "chattering"):
            yield f"  {entry['text']}"
        values = ", ".join(f"{n} {_shown(v, '')}" for n, v in entry["values"].items())
        if entry["event"] in ("raised", "returned", "re_alarmed") and values:
            yield f"  {values}"


def _happened(entry: dict[str, Any]) -> str:
    text = _words(entry["event"])
    if entry["by"]:
        text += f" by {entry['by']}"
        if entry.get("by_how") == "claim":
            text += " (its own word)"
        if entry.get("claim"):
            text += f" (calls itself {entry['claim']})"
    if entry["state"] != entry["before"]:
        text += f": {_words(entry['before'])} -> {_words(entry['state'])}"
    told = {
        "yes": ", told",
        "flood": ", not told (flood)",
        "chattering": ", not told (chattering)",
        "stale": ", not told (nothing fresh comes)",
        "follows": ", not told (follows from what was)",
    }
    return text + told.get(entry["told"], "")


def _words(state: str) -> str:
    return state.replace("_", " ")


def _clock(stamp: str) -> str:
    return datetime.fromisoformat(stamp).strftime("%Y-%m-%d %H:%M")
