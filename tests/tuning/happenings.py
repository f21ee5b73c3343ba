"""Transitions as an alarm makes them, written down as when it was raised and when it returned."""

from __future__ import annotations

from collections.abc import Iterable

from watchd.alarms.state import Event, State, Told, Transition
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

START = 1_790_000_000.0  # some Monday in September 2026
ALDER, BIRCH = "pack/alder", "pack/birch"
MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0


def rule_called(name: str, more: str = "") -> Rule:
    """A rule that says nothing of interest; `more` has further keys."""
    text = f'- {{rule: {name}, when: cell_spread_mv > 40, priority: low, say: "{name}"{more}}}'
    (rule,) = compile_rules([("rules.yaml", text)])
    return rule


SPREAD, HOT = rule_called("cell-spread-wide"), rule_called("pack-hot")
TRIAL = rule_called("on-trial", ", annunciate: no")


def happened(
    seconds: float, event: Event, *, rule: Rule = SPREAD, subject: str = ALDER, told: Told = Told.NO
) -> Transition:
    """One transition, so many seconds after `START`. Its states are of no interest here."""
    return Transition(
        at=START + seconds,
        rule=rule,
        subject=subject,
        event=event,
        before=State.NORMAL,
        state=State.UNACKNOWLEDGED,
        condition=State.UNACKNOWLEDGED,
        text=rule.name,
        values={},
        told=told,
    )


def stood(
    *spans: tuple[float, float | None], rule: Rule = SPREAD, subject: str = ALDER
) -> list[Transition]:
    """An alarm that stood from one time to another; None: it still does."""
    told = Told.SILENT if rule.is_silent else Told.YES
    found = []
    for begin, end in spans:
        found.append(happened(begin, Event.RAISED, rule=rule, subject=subject, told=told))
        if end is not None:
            found.append(happened(end, Event.RETURNED, rule=rule, subject=subject))
    return found


def in_time(*stories: Iterable[Transition]) -> list[Transition]:
    """Several stories at once."""
    return sorted((t for story in stories for t in story), key=lambda t: t.at)
