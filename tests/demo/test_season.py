"""The season with watchd beside it: what is told, what people do, and the account."""

import re
import subprocess
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from demo.season.account import Account
from demo.season.people import ACKNOWLEDGED_AFTER_S, Deed, People
from demo.season.scenario import (
    COLD,
    DRIFT,
    FROZEN,
    JOINT,
    SEASON,
    SILENT,
    START,
    THRESHOLD,
    Fault,
    Kind,
    Season,
    Spell,
)
from demo.season.telling import Telling, account
from demo.season.watching import DayOver, Happening, Told, Watching
from demo.season.weather import DAY_S
from demo.show.page import Page

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "demo" / "season.yaml"

# Four days in which much goes wrong: the loops that last hours, not weeks.
SHORT = Season(
    days=4,
    spells=(Spell(2, 6, "First frost", sun=0.95, degc=-0.5),),
    faults=(
        replace(FROZEN, begins_d=0.27),
        replace(THRESHOLD, begins_d=1.2),
        replace(SILENT, begins_d=2.5),
        replace(COLD, begins_d=3.2),
    ),
    visits_d=(1.9,),
)


def play(season: Season, seed: int = 1) -> tuple[Account, list[Happening], Watching]:
    watching, found = Watching(CONFIG, season, seed), Account(season)
    happened = list(watching.happenings())
    for what in happened:
        if isinstance(what, Told):
            found.hear(what)
        elif isinstance(what, Deed):
            found.done(what)
    return found, happened, watching


@pytest.fixture(scope="module")
def short() -> tuple[Account, list[Happening], Watching]:
    return play(SHORT)


def test_each_fault_is_told_and_mended_within_a_day_and_a_half(
    short: tuple[Account, list[Happening], Watching],
) -> None:
    found, _, watching = short
    rows = {row.fault.kind: row for row in found.found()}
    assert {kind: row.by for kind, row in rows.items()} == {
        Kind.FROZEN: "telemetry-frozen",
        Kind.THRESHOLD: "protection-trip",
        Kind.SILENT: "telemetry-stale",
        Kind.COLD: "charging-cold",
    }
    for row in rows.values():
        assert row.days_until_told is not None
        assert row.mended_d is not None
        assert 0.0 <= row.days_until_told < 0.5
        assert row.told_d is not None
        assert row.told_d <= row.mended_d < row.told_d + 1.5
    assert watching.island.standing == {}
    assert watching.refused == []


def test_of_the_healthy_pack_nothing_is_told(
    short: tuple[Account, list[Happening], Watching],
) -> None:
    found, _, _ = short
    assert found.of_the_healthy == []
    assert found.right


def test_the_terminal_shows_each_message_and_each_deed(
    short: tuple[Account, list[Happening], Watching],
) -> None:
    found, happened, _ = short
    telling, page = Telling(SHORT, Page()), Page()
    lines = [*telling.opening(), *(line for what in happened for line in telling.happened(what))]
    lines += [*telling.week_over(), *account(found, page)]
    text = "\n".join(lines)
    assert text.count("╭") == len(found.told)
    assert "» First frost." in text
    assert re.search(r"week  1  auk [●○]{4}    +\d+ ", text)
    assert "eider, in order all season: nothing was told of it." in text
    assert max(map(len, lines)) <= 110


def test_a_morning_is_the_same_each_time() -> None:
    season = replace(SHORT, days=0.35, spells=(), visits_d=())
    one, two = play(season), play(season)
    assert one[1] == two[1]
    assert one[2].island.bank.cells_v == two[2].island.bank.cells_v
    assert [told.alarm for told in one[0].told if told.alarm.endswith("/auk")]


# --- people ---


def said(alarm: str) -> Mapping[str, str]:
    return {"alarm": alarm, "title": "", "text": "", "response": ""}


def test_people_do_nothing_about_what_was_not_told() -> None:
    watching = Watching(CONFIG, replace(SEASON, visits_d=(0.0,)), 1)
    watching.island.step()
    (deed,) = watching.people.act(watching.island)
    assert deed.text == "comes over. Nothing is asked for."
    assert deed.mends is None


def test_what_needs_a_licensed_person_waits_for_the_visit_and_is_shelved() -> None:
    island = Watching(CONFIG, replace(SEASON, faults=(replace(JOINT, begins_d=0.0),)), 1).island
    island.step()
    people = People(visits_d=(2.0,))
    people.hear(said("joint-resistance-high/pack/auk"), START + 0.5 * DAY_S)
    island.now = START + 0.5 * DAY_S + ACKNOWLEDGED_AFTER_S
    (shelved,) = people.act(island)
    assert [request["do"] for request in shelved.requests] == ["shelve"]
    island.now = START + 1.9 * DAY_S
    assert list(people.act(island)) == []
    assert Kind.JOINT in island.standing
    island.now = START + 2.1 * DAY_S
    (deed,) = people.act(island)
    assert deed.mends is Kind.JOINT
    assert "electrician" in deed.text
    assert Kind.JOINT not in island.standing


def test_a_spread_waits_where_a_joint_may_be_behind_it() -> None:
    island = Watching(CONFIG, replace(SEASON, faults=()), 1).island
    island.step()
    people = People(visits_d=(1.0, 2.0))
    for alarm in ("cell-spread-wide/pack/auk", "joint-resistance-high/pack/auk"):
        people.hear(said(alarm), START + 0.5 * DAY_S)
    island.now = START + 1.01 * DAY_S
    assert [deed.mends for deed in people.act(island) if deed.text] == [Kind.JOINT]
    people.hear(said("cell-spread-wide/pack/auk"), START + 1.5 * DAY_S)
    island.now = START + 2.01 * DAY_S
    assert [deed.mends for deed in people.act(island) if deed.text] == [Kind.LEAK]
    assert island.bank.stages.absorption_h == 3.0


# --- the account ---


def told(day: float, alarm: str) -> Told:
    return Told(START + day * DAY_S, alarm, "medium", alarm, "")


def account_of(faults: tuple[Fault, ...], *said_then: Told) -> Account:
    found = Account(Season(days=10, spells=(), faults=faults, visits_d=()))
    for one in said_then:
        found.hear(one)
    return found


def test_a_fault_counts_as_told_by_its_own_rule_on_its_own_pack_and_not_before_it_began() -> None:
    fault = replace(FROZEN, begins_d=3.0)
    for alarm, day, is_told in (
        ("telemetry-frozen/pack/auk", 3.5, True),
        ("telemetry-frozen/pack/auk", 2.9, False),
        ("telemetry-frozen/pack/tern", 3.5, False),
        ("soc-disagrees/pack/auk", 3.5, False),
    ):
        found = account_of((fault,), told(day, alarm))
        assert (found.found()[0].told_d is not None) is is_told
        assert found.right is is_told


def test_anything_told_of_the_healthy_pack_is_wrong() -> None:
    wrong = told(1.0, "pack-not-carrying/pack/eider")
    assert not account_of((), wrong).right
    assert account_of((), told(1.0, "pack-not-carrying/pack/tern")).right
    assert "pack-not-carrying" in "\n".join(account(account_of((), wrong), Page()))


def test_the_account_counts_messages_and_names_what_was_missed() -> None:
    frozen = "telemetry-frozen/pack/auk"
    found = account_of((DRIFT, replace(FROZEN, begins_d=1.0)), told(1.1, frozen), told(1.2, frozen))
    assert found.told_a_day == pytest.approx(0.2)
    assert found.most_in_a_day == 2
    found.done(Deed(START + 2 * DAY_S, "The crew", "restarts it.", mends=Kind.FROZEN))
    text = "\n".join(account(found, Page()))
    assert "2 messages in 10 days: 0.20 a day, 2 on the day with most of them." in text
    assert f"Not told: {DRIFT.what}." in text
    assert re.search(r"auk +Tue 28 Jul +Tue 28 Jul +2 h +Wed 29 Jul +telemetry-frozen", text)


def test_a_week_has_a_line() -> None:
    telling = Telling(replace(SEASON, faults=(), spells=()), Page())
    lines: list[str] = []
    for day in range(1, 8):
        full = {"auk": day != 3, "tern": True, "eider": False}
        over = DayOver(START + day * DAY_S, full, {"auk": 9.2, "tern": None, "eider": 30.0}, 40.0)
        lines += telling.happened(over)
    assert lines == [
        "week  1  auk ●●○●●●●   9   tern ●●●●●●●   ?   eider ○○○○○○○  30   lowest 40 %   told 0"
    ]


# --- the script ---


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--only"], "--only wants a value"),
        (["--only", "night"], "--only wants day or season, not 'night'"),
    ],
)
def test_run_sh_refuses_in_one_line(arguments: list[str], words: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [ROOT / "demo" / "run.sh", *arguments],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stderr.count("\n") == 1


def test_run_sh_finds_the_lines_that_it_fills_in() -> None:
    lines = CONFIG.read_text().splitlines()
    for begins, what in (("  path: ", "store"), ("rules: ", "rules")):
        (line,) = [one for one in lines if one.endswith(f"# run.sh: {what}")]
        assert line.startswith(begins)
