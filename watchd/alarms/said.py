"""What an alarm says on a phone: what and where, the number against its limit, what to do.

The limit is taken from the condition, so that it stays true when somebody tunes it.
"""

from __future__ import annotations

from watchd.alarms.alarm import Alarm
from watchd.alarms.chatter import RAISES
from watchd.alarms.state import LATCHED, Event, Transition
from watchd.durations import SECONDS
from watchd.language.trade import show_lasting
from watchd.rules.rule import Rule

LONGEST_TITLE = 60  # what a lock screen shows
LONGEST_LINE = 200  # of what a figure may bring, such as the reason why a file does not load
_ENDINGS = {Event.RE_ALARMED: " (still)", Event.CHATTERING: " (on and off)"}
WORTH_SAYING_S = 60.0


def title_of(transition: Transition, alarm: Alarm) -> str:
    """What and where, with a word of it where it is not new."""
    ending = _ENDINGS.get(transition.event, "")
    return cut(alarm.title or default_title(alarm.rule, alarm.subject), LONGEST_TITLE, ending)


def message_of(transition: Transition, alarm: Alarm) -> str:
    """All that a phone shows under the title, in lines."""
    rule = transition.rule
    first = cut(_number_line(transition, alarm), LONGEST_LINE)
    return "\n".join(line for line in (first, rule.response, rule.caution) if line)


def _number_line(transition: Transition, alarm: Alarm) -> str:
    rule = transition.rule
    said = without_subject(alarm.text, alarm.subject)
    if alarm.limit:
        said = f"{said}; limit {alarm.limit}"
    lasting_s = transition.at - alarm.since if alarm.since is not None else 0.0
    if transition.event is Event.CHATTERING:
        said = f"On and off, {RAISES} times within a minute: {said}"
    elif alarm.condition in LATCHED:
        said = f"Over by now, and not acknowledged: {said}"
    elif transition.event is not Event.RAISED and lasting_s >= WORTH_SAYING_S and not _dated(rule):
        said = f"For {show_lasting(lasting_s)} now: {said}"
    return sentence(said, alarm.subject.split("/")[1])


def _dated(rule: Rule) -> bool:
    """Whether its text says itself for how long."""
    return not SECONDS.keys().isdisjoint(rule.say.units.values())


def sentence(text: str, name: str) -> str:
    """A text that begins with a capital, unless with the subject's name, and ends with a stop."""
    first = text.split(" ", 1)[0]
    if first.isalpha() and first != name:
        text = f"{text[:1].upper()}{text[1:]}"
    return text if text.endswith((".", "!", "?")) else f"{text}."


def without_subject(text: str, subject: str) -> str:
    """A text without the name at its beginning that the title says already."""
    return text.removeprefix(f"{subject.split('/')[1]}: ")


def default_title(rule: Rule, subject: str) -> str:
    """Of a rule that has none: `alder cell 7: cell high`."""
    kind, name, *cell = subject.split("/")
    where = f"{name} {kind} {cell[0]}" if cell else name
    return f"{where}: {rule.name.replace('-', ' ')}"


def cut(text: str, longest: int, ending: str = "") -> str:
    """The text with its ending; what is too long ends in `…`."""
    room = longest - len(ending)
    return (text if len(text) <= room else f"{text[: room - 1].rstrip()}…") + ending
