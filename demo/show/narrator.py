"""Facts in, lines out: which of them are worth telling, and in what words."""

from collections.abc import Mapping
from typing import Any

from demo.phone.card import Card, drawn
from demo.phone.receiver import Post
from demo.show.heard import (
    NORMAL,
    AlarmIs,
    Annunciated,
    Charging,
    Fact,
    FiguresAre,
    LimitIs,
    Noted,
    Protecting,
)
from demo.show.memory import Memory
from demo.show.page import Page, clock
from demo.skerry.story import DAY

_STATUS_EVERY_S = 20 * 60.0
# A limit is told again when it has changed by a third, and by some amperes; a fall to half, soon.
_LIMIT_CHANGE = 0.33
_LIMIT_CHANGE_A = 3.0
_LIMIT_EVERY_S = 120.0
_LIMIT_FALL_EVERY_S = 30.0
_URGENT = ("critical", "high")
_RAISED = ("unacknowledged", "acknowledged", "latched_unacknowledged", "latched_acknowledged")

PACKS = {
    "auk": "280 Ah, three years old. Cell 7 holds about 2 % more charge than the other fifteen.",
    "tern": "230 Ah. The state of charge that its BMS shows has drifted down over months.",
    "eider": "120 Ah, the newest, and in order.",
}


def opening(page: Page, speed: float) -> list[str]:
    """What to know before it starts."""
    lines = [
        page.strong("A bird-research station on a skerry, and its bank of three LFP packs"),
        "",
    ]
    for name, text in PACKS.items():
        lines += page.hanging(f"  {name:<6} ", text)
    lines.append("")
    lines += page.folded(
        "watchd is told none of this. It sees what the three BMSs publish over MQTT, raises "
        "alarms, and suggests how much charge current the bank can take. "
        "It switches nothing itself.",
        "",
    )
    lines += ["", "Look for:"]
    for text in (
        "in the morning nobody follows the suggestion: auk's cell 7 runs ahead, and the BMS trips;",
        "tern is full, and its BMS does not know;",
        "in the second half the charger follows the suggested limit. Watch the trips.",
    ):
        lines += page.hanging("  - ", text)
    minutes = DAY.hours * 60.0 / speed
    pace = f"One second here is {speed:g} s on the skerry, so the day takes {minutes:.0f} min."
    return [*lines, "", *page.folded(pace, ""), ""]


class Narrator:
    """It hears every fact and tells the ones that matter."""

    def __init__(self, page: Page, *, has_phone: bool = False) -> None:
        self.page = page
        self._has_phone = has_phone
        self.memory = Memory()
        self._now: float | None = None
        self._status_due: float | None = None
        self._figures: dict[str, Mapping[str, Any]] = {}
        self._states: dict[tuple[str, str], str] = {}
        self._tripped: dict[str, bool] = {}
        self._told_limit: LimitIs | None = None
        self._told_limit_at = 0.0

    def tell(self, fact: Fact) -> list[str]:
        """What there is to say about a fact; often nothing."""
        lines: list[str] = []
        match fact:
            case Noted():
                lines = self._noted(fact)
            case Charging():
                lines = self._time_passes(fact.at)
            case Protecting():
                lines = self._protecting(fact)
            case Annunciated():
                lines = self._annunciated(fact)
            case AlarmIs():
                lines = self._alarm(fact)
            case LimitIs():
                lines = self._limit(fact)
            case FiguresAre():
                self._figures[fact.pack] = fact.figures
        return lines

    def _noted(self, note: Noted) -> list[str]:
        self._now = note.at
        if note.event == "follow":
            self.memory.followed_at = note.at
        if note.event == "end":
            self.memory.ended = True
        return ["", *self.page.entry(note.at, note.text, strong=note.event == "follow"), ""]

    def _protecting(self, state: Protecting) -> list[str]:
        before = self._tripped.get(state.pack, False)
        self._tripped[state.pack] = state.tripped
        if state.tripped == before:
            return []
        if not state.tripped:
            return self.page.entry(self._now, f"{state.pack}: its BMS lets it charge again.")
        self.memory.half.trips += 1
        what = f"{state.pack}: its BMS trips, a cell is above its over-voltage threshold."
        return self.page.entry(self._now, what, strong=True)

    def _annunciated(self, said: Annunciated) -> list[str]:
        if self._has_phone:
            return []  # the bridge brings it
        when = f"{clock(said.at)}  {said.priority}"
        return self._card(Card(when, said.title, said.message, said.priority in _URGENT))

    def posted(self, post: Post) -> list[str]:
        """What the phone shows of a message that the bridge brought."""
        self.memory.posted += 1
        return self._card(Card(clock(self._now), post.title, post.message, post.urgent))

    def _card(self, card: Card) -> list[str]:
        return ["", *drawn(card, bold=self.page.bold), ""]

    def _alarm(self, alarm: AlarmIs) -> list[str]:
        key = (alarm.rule, alarm.subject)
        was_raised = self._states.get(key, NORMAL) in _RAISED
        is_raised = alarm.state in _RAISED
        self._states[key] = alarm.state
        if is_raised == was_raised:
            return []
        if is_raised:
            at = alarm.since if alarm.since is not None else self._now
            self.memory.raised.setdefault(key, []).append(at or 0.0)
            return []
        name = alarm.subject.rpartition("/")[2]
        return self.page.entry(self._now, f"{name}: {alarm.rule} is back to normal.")

    def _limit(self, limit: LimitIs) -> list[str]:
        now = self._now or 0.0
        told = self._told_limit
        if limit.limit_a is not None:
            self.memory.half.limit(limit.limit_a, now)
        if told is not None and not self._worth_telling(limit, told, now):
            return []
        if told is None and limit.limit_a is None:
            return []
        self._told_limit, self._told_limit_at = limit, now
        if limit.limit_a is None:
            return self.page.entry(self._now, "No charge limit is suggested any more.")
        way = "is"
        if told is not None and told.limit_a is not None:
            way = "falls to" if limit.limit_a < told.limit_a else "rises to"
        text = f"Suggested charge limit {way} {limit.limit_a:.0f} A: {limit.because}"
        return self.page.entry(self._now, text)

    def _worth_telling(self, limit: LimitIs, told: LimitIs, now: float) -> bool:
        if limit.limit_a is None or told.limit_a is None:
            return limit.limit_a != told.limit_a
        change_a = limit.limit_a - told.limit_a
        falls_far = change_a < -0.5 * told.limit_a
        since_s = now - self._told_limit_at
        if since_s < (_LIMIT_FALL_EVERY_S if falls_far else _LIMIT_EVERY_S):
            return False
        much_a = _LIMIT_CHANGE * max(told.limit_a, limit.limit_a)
        return abs(change_a) >= max(much_a, _LIMIT_CHANGE_A)

    def _time_passes(self, at: float) -> list[str]:
        self._now = at
        if self._status_due is None:
            self._status_due = at + _STATUS_EVERY_S / 2
        if at < self._status_due or not self._figures:
            return []
        self._status_due += _STATUS_EVERY_S
        lines: list[str] = []
        for name in PACKS:
            text = f"{name:<6} {_status(self._figures.get(name, {}))}"
            lines += self.page.entry(at, text) if not lines else [f"       {text}"]
        return lines


def _status(figures: Mapping[str, Any]) -> str:
    def shown(name: str, form: str) -> str:
        value = figures.get(name)
        return format(value, form) if isinstance(value, int | float) else "?"

    return (
        f"{shown('voltage_v', '5.2f'):>5} V {shown('current_a', '+6.1f'):>6} A  "
        f"BMS says {shown('soc_pct', '3.0f'):>3} %  "
        f"top cell {shown('cell_max_v', '.3f')} V  spread {shown('cell_spread_mv', '.0f')} mV"
    )
