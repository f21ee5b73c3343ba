"""What a keeper reads at night, of every rule that ships and of watchd's own.

All of them are in `texts_approved/annunciations.txt`, to be read in one go. After a change of
wording that is meant:

    WATCHD_APPROVE=1 python -m pytest tests/rules/test_annunciations.py
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.rules.shipped_rules import RULES
from watchd.alarms.alarm import Alarm
from watchd.alarms.records import annunciation
from watchd.alarms.state import Event, Transition
from watchd.figures import About, Figures
from watchd.messages import Annunciation
from watchd.own_rules import own_rules
from watchd.rules.examples import figures_of
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Example, Priority, Rule, Step

APPROVED = Path(__file__).parents[1] / "texts_approved" / "annunciations.txt"
APPROVE = "WATCHD_APPROVE" in os.environ
AIM = 350  # characters under the title, which a phone shows without a touch
START = 1_790_000_000.0
SUBJECTS = {
    About.BANK: ("bank/hut", {"bank": "hut"}),
    About.PACK: ("pack/alder", {"bank": "hut", "pack": "alder"}),
    About.SERVICE: ("service/watchd", {}),
}
WHY = "rules/cells.yaml:12:9: unknown name 'cell_max'; did you mean 'cell_max_v'?"
OWN: dict[str, Figures] = {
    "rules-not-loaded": {"rules_fault": WHY},
    "config-not-loaded": {"config_fault": "config.yaml:4:3: unknown key 'pack'; write 'packs'"},
    "store-not-written": {"store_fault": "no space left on device"},
    "store-set-aside": {"store_damage": "watchd.db is now watchd.db.damaged; alarms are new"},
    "alarm-flood": {"alarms_10min": 14.0},
}


def own_example(rule: Rule) -> Rule:
    """watchd's own rules have their cases here, because no keeper edits them."""
    given = {"alarms_10min": 0.0, **OWN[rule.name]}
    return replace(rule, examples=(Example((Step(given, 60.0),), raised=True),))


EVERY = {**RULES, **{rule.name: own_example(rule) for rule in own_rules()}}


def told(
    rule: Rule, example: Example, *, stand_s: float = 0.0, **then: float
) -> list[tuple[Transition, Alarm]]:
    """What happens in an example whose last figures then stand for a time; each with its alarm."""
    subject, names = SUBJECTS[rule.about]
    alarm = Alarm(rule, subject, names)
    found: list[tuple[Transition, Alarm]] = []
    at = START
    steps = [*example.steps, Step({**example.steps[-1].given, **then}, stand_s)]
    for step in steps:
        figures, end = figures_of(rule, step.given), at + step.lasting_s
        while True:
            found += [(t, alarm) for t in alarm.evaluate(at, figures)]
            due = alarm.due_at()
            if at >= end:
                break
            at = min(end, due) if due is not None and due > at else end
    return found


def raised(rule: Rule) -> Annunciation:
    """The annunciation of a rule's first example in which it is raised."""
    example = next(e for e in rule.examples if e.raised)
    transition, alarm = next(
        (t, a) for t, a in reversed(told(rule, example)) if t.event is Event.RAISED
    )
    return annunciation(transition, alarm)


ALL = {name: raised(rule) for name, rule in EVERY.items()}


def again(name: str, event: Event, stand_s: float, **then: float) -> Annunciation:
    rule = EVERY[name]
    example = next(e for e in rule.examples if e.raised)
    found = told(rule, example, stand_s=stand_s, **then)
    return annunciation(*next((t, a) for t, a in reversed(found) if t.event is event))


def chattering(name: str) -> Annunciation:
    """Raised three times within a minute."""
    rule = replace(EVERY[name], off_delay_s=0.0)
    subject, names = SUBJECTS[rule.about]
    alarm = Alarm(rule, subject, names)
    found: list[Transition] = []
    example = next(e for e in rule.examples if e.raised)
    on = figures_of(rule, example.steps[-1].given)
    off: Figures = {**on, "protection_trip": False}
    for step in range(6):
        found += alarm.evaluate(START + 5 * step, off if step % 2 else on)
    return annunciation(next(t for t in found if t.event is Event.CHATTERING), alarm)


LATER = {
    "cell-near-overvoltage, still there after half an hour": again(
        "cell-near-overvoltage", Event.RE_ALARMED, 1800.0
    ),
    "telemetry-stale, still there after twelve hours": again(
        "telemetry-stale", Event.RE_ALARMED, 43200.0, telemetry_age_s=43290.0
    ),
    "protection-trip, chattering": chattering("protection-trip"),
}


def page() -> str:
    """All of them, as a person reads them."""
    out = []
    for name, said in {**ALL, **LATER}.items():
        lines = "\n".join(f"    {line}" for line in said["message"].split("\n"))
        out.append(f"{name} ({said['priority']})\n  {said['title']}\n{lines}\n")
    return "\n".join(out)


def test_every_text_is_approved() -> None:
    if APPROVE:
        APPROVED.write_text(page(), "utf-8")
    assert page() == APPROVED.read_text("utf-8")


@pytest.mark.parametrize("name", [*ALL, *LATER])
def test_the_title_says_where_and_fits_a_lock_screen(name: str) -> None:
    title = {**ALL, **LATER}[name]["title"]
    assert len(title) <= 60
    assert title.startswith(("alder", "hut", "watchd: ")), "where comes first"
    where, what = title.split(": ", 1)
    assert re.fullmatch(r"(alder|hut|watchd)( cell \d+)?", where)
    assert "unknown" not in title
    assert what[0].islower()


@pytest.mark.parametrize("name", [*ALL, *LATER])
def test_the_lines_stand_in_their_order_and_fit_a_phone(name: str) -> None:
    said = {**ALL, **LATER}[name]
    rule = EVERY[name.split(",", maxsplit=1)[0]]
    first, *rest = said["message"].split("\n")
    assert rest == [line for line in (rule.response, rule.caution) if line]
    assert said.get("caution", "") == rule.caution
    assert len(said["message"]) <= AIM
    for line in (first, *rest):
        assert line.endswith((".", "?"))
        assert line == line.strip()


@pytest.mark.parametrize("name", [*ALL, *LATER])
def test_no_raw_names_and_no_bare_numbers(name: str) -> None:
    said = {**ALL, **LATER}[name]
    first = said["message"].split("\n")[0]
    figures = {figure for named in FIELDS.values() for figure in named if "_" in figure}
    given = OWN.get(name, {})
    if not given and "settings" not in name:  # those quote a file, in the words of its keys
        assert not figures & set(re.findall(r"[a-z0-9_]+", said["message"]))
    assert "unknown" not in first or given, "an example gives all that its text shows"
    for number in re.findall(r"(\d+(?:\.\d+)?) s\b", first):
        assert float(number) < 120, "in minutes"
    # A decimal is a measurement, and has its unit behind it.
    for number in re.findall(r"(?<![\d.:])\d+\.\d+(?![\d.])", first):
        assert re.search(rf"{re.escape(number)} (to \S+ )?(V|mV|A|Ah|mΩ|W|%|°C|d|h|min)", first)


SETTING = re.compile(r"\b(setting|threshold|set its|reanchor|end the discharge)\b", re.IGNORECASE)
WORK = re.compile(r"\b(joint|wires?|fuse|bus|measured|replac|tighten)", re.IGNORECASE)


@pytest.mark.parametrize("name", RULES)
def test_a_caution_stands_where_a_setting_is_changed_or_a_pack_is_worked_on(name: str) -> None:
    rule = RULES[name]
    if SETTING.search(rule.response) and name not in BY_HAND:
        assert "setting" in rule.caution.lower() or "threshold" in rule.caution, rule.caution
    if WORK.search(rule.response) and name not in LOOKS_ONLY:
        assert re.search(r"isolate|licensed", rule.caution, re.IGNORECASE), rule.caution


BY_HAND = ("charge-limit-exceeded",)  # the charger's current, which protects nothing
LOOKS_ONLY = ()


@pytest.mark.parametrize("priority", [Priority.CRITICAL, Priority.HIGH])
def test_what_is_urgent_says_what_to_do_first(priority: Priority) -> None:
    for name, rule in RULES.items():
        if rule.priority is priority:
            assert rule.response.split()[0] in (
                "Lower", "Take", "Stop", "Put",
            ), f"{name}: what to do comes first"  # fmt: skip
