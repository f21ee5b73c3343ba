"""`watchd replay` with its table and `--against`, and `watchd tune`, as a person meets them."""

from __future__ import annotations

import io
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.scene import START, leading, pack
from tests.service.commandline import Run, line
from tests.service.hut import write_config
from watchd.commands import main

RULES = """
- rule: cell-spread-wide
  when: cell_spread_mv > 40 and current_a > 0
  on_delay: 1 min
  priority: medium
  say: "{pack}: {cell_spread_mv:.0f} mV"
- rule: on-trial
  when: cell_spread_mv > 20
  priority: low
  annunciate: no
  say: "{pack}: {cell_spread_mv:.0f} mV, on trial"
- rule: pack-hot
  when: temperature_max_degc > 50 or temperature_max_degc > charge_max_degc + 20
  priority: high
  say: "{pack}: hot"
"""
# The spread in mV that stands for an hour, once in two and a half hours.
SPREADS = [25, 65, 45, 30, 30, 55, 25, 45, 35, 25]
OTHER = RULES.replace("> 40", "> 50").replace("on_delay: 1 min", "on_delay: 3 min")


def day() -> Iterator[str]:
    """A day and an hour, with a sample every ten minutes, and every minute where it matters."""
    for turn, spread_mv in enumerate([*SPREADS, 5]):
        for minute in range(150):
            wide = 60 <= minute < 120
            if wide or minute % 10 == 0:
                document = pack(cell_v=leading(3.40, by_mv=spread_mv if wide else 5))
                yield line(START + 60 * (150 * turn + minute), document)
            if turn == len(SPREADS):
                return


def two_hours() -> Iterator[str]:
    """Both packs each minute, so that there is advice; alder is wide in the second hour."""
    for minute in range(120):
        wide = pack(cell_v=leading(3.40, by_mv=45 if minute >= 60 else 5))
        yield line(START + 60 * minute, wide)
        yield line(START + 60 * minute, pack(), name="birch")


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recording") / "day.jsonl"
    path.write_text("".join(day()))
    return path


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COLUMNS", "60")
    return write_config(tmp_path, 1883, rules=RULES, telemetry={"stale_after": "30 min"})


def rows(text: str) -> dict[str, list[str]]:
    """The lines of a table by their first word."""
    return {x.split()[0]: x.split()[1:] for x in text.splitlines() if x.split()}


def objects(text: str, kind: str) -> list[dict[str, Any]]:
    return [x for x in map(json.loads, text.splitlines()) if x["kind"] == kind]


# --- replay: the table ---


def test_the_table_of_what_the_rules_did(command: Run, config: Path, recording: Path) -> None:
    done = command("replay", "--config", config, "--summary", recording)
    assert done.code == 0, done.err
    assert done.err == ""
    first = "691 messages over 25 h, from 2026-09-21T14:13:20.000Z"
    assert done.out.splitlines()[0] == first
    found = rows(done.out)
    # Wide from 10:01, when it has stood for a minute, until the first narrow sample at 11:00.
    assert found["cell-spread-wide"] == ["4", "3.84", "3.9", "h", "59", "min"]
    assert found["on-trial"][:2] == ["10", "9.60"]
    assert (
        done.out.index("cell-spread-wide") < done.out.index("\nsilent") < done.out.index("on-trial")
    )
    assert "never raised: pack-hot" in done.out
    assert "told 4 times, 3.84 a day: OVER the budget of 1" in done.out
    assert all(len(x) <= 60 for x in done.out.splitlines())


def test_the_timeline_comes_first_and_the_same_table_after(
    command: Run, config: Path, recording: Path
) -> None:
    whole = command("replay", "--config", config, recording).out
    summary = command("replay", "--config", config, "--summary", recording).out
    assert whole.endswith(summary)
    timeline = whole.removesuffix(summary)
    assert "cell-spread-wide           raised: alder: 65 mV\n" in timeline
    assert "cell-spread-wide           returned (pack/alder)\n" in timeline
    assert "on-trial                   raised, silent: alder: 65 mV, on trial\n" in timeline


def test_the_account_as_data(command: Run, config: Path, recording: Path) -> None:
    out = command("replay", "--config", config, "--summary", "--json", recording).out
    wide, trial, hot = objects(out, "rule")
    assert (wide["rule"], wide["raised"], wide["told"], wide["silent"]) == (
        "cell-spread-wide",
        4,
        4,
        False,
    )
    assert (trial["raised"], trial["told"], trial["silent"]) == (10, 0, True)
    assert (hot["raised"], hot["in_alarm_s"]) == (0, 0)
    (total,) = objects(out, "total")
    assert (total["told"], total["budget_per_day"]) == (4, 1.0)


def test_each_transition_is_a_line_of_data(command: Run, config: Path, recording: Path) -> None:
    out = command("replay", "--config", config, "--json", recording).out
    alarms = objects(out, "alarm")
    told = [(x["rule"], x["event"], x["told"]) for x in alarms]
    assert told.count(("cell-spread-wide", "raised", "yes")) == 4
    assert told.count(("cell-spread-wide", "returned", "no")) == 4
    assert told.count(("on-trial", "raised", "silent")) == 10
    keys = {"kind", "at", "rule", "subject", "state", "priority", "text"}
    assert all(keys <= x.keys() for x in alarms)


def test_within_the_budget(command: Run, config: Path, recording: Path, tmp_path: Path) -> None:
    quiet = tmp_path / "quiet.yaml"
    quiet.write_text(RULES.replace("> 40", "> 60"))
    out = command("replay", "--config", config, "--rules", quiet, "--summary", recording).out
    assert "told once, 0.96 a day: within the budget of 1" in out


# --- replay --against ---


@pytest.fixture
def other(tmp_path: Path) -> Path:
    path = tmp_path / "other.yaml"
    path.write_text(OTHER)
    return path


def test_what_a_change_adds_removes_and_moves(
    command: Run, config: Path, recording: Path, other: Path
) -> None:
    words = ("replay", "--config", config, "--against", other)
    done = command(*words, recording)
    assert done.code == 0, done.err
    found = rows(done.out)
    assert found["cell-spread-wide"] == ["4", "2", "-", "2", "2"]
    assert "raised alike: on-trial" in done.out
    assert "never raised, before or after: 1 of 3 rules" in done.out
    assert "told 4 times before, 3.84 a day\ntold 2 times after, 1.92 a day" in done.out
    assert "pack/alder, lasts 57 min\n    raised 2 min later, 2 min shorter" in done.out
    assert len(re.findall(r"^- 2026-09-2\d.*cell-spread-wide$", done.out, re.MULTILINE)) == 2
    assert all(len(x) <= 60 for x in done.out.splitlines() if str(other) not in x)
    out = command(*words, "--json", recording).out
    assert len(objects(out, "added")) == 0
    assert len(objects(out, "removed")) == 2
    assert [x["later_s"] for x in objects(out, "moved")] == [120.0, 120.0]
    summary = command(*words, "--json", "--summary", recording).out
    assert summary == "".join(
        x + "\n" for x in out.splitlines() if '"rule", "rule"' in x or '"total"' in x
    )


def test_the_other_way_round_it_adds(
    command: Run, config: Path, recording: Path, other: Path
) -> None:
    rules = config.parent / "rules"
    out = command("replay", "--config", config, "--rules", other, "--against", rules, recording).out
    assert rows(out)["cell-spread-wide"] == ["2", "4", "2", "-", "2"]


def test_rules_against_themselves(command: Run, config: Path, recording: Path) -> None:
    rules = config.parent / "rules"
    done = command("replay", "--config", config, "--against", rules, recording)
    assert done.code == 0
    assert "raised alike: cell-spread-wide, on-trial" in done.out
    assert "added" not in done.out
    assert "differs" not in done.out


def test_rules_that_are_only_in_one_and_a_rule_that_falls_silent(
    command: Run, config: Path, recording: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.yaml"
    renamed = RULES.replace("pack-hot", "pack-too-hot").replace("  annunciate: no\n", "")
    other.write_text(renamed.replace("priority: medium", "priority: journal"))
    out = command("replay", "--config", config, "--against", other, recording).out
    assert "rules only before: pack-hot" in out
    assert "rules only after: pack-too-hot" in out
    assert "silent after: cell-spread-wide" in out
    assert "no longer silent after: on-trial" in out
    assert "told 4 times before, 3.84 a day\ntold 10 times after, 9.60 a day" in out


def test_a_cap_that_is_added_shows_in_the_suggested_limit(
    command: Run, config: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(RULES.replace("priority: medium", 'priority: medium\n  charge_limit: "5"'))
    given = "".join(two_hours())
    words = ("replay", "--config", config, "--against", other)
    # Raised a minute after the first wide sample, 58 min before the end.
    assert (
        "the suggested limit of hut differs for 58 min\n" in command(*words, "-", given=given).out
    )
    (total,) = objects(command(*words, "--json", "-", given=given).out, "total")
    assert total["limit_differs_s"] == {"hut": 58 * 60}


def test_other_rules_that_do_not_load(
    command: Run, config: Path, recording: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(RULES.replace("cell_spread_mv >", "cell_spred_mv >"))
    done = command("replay", "--config", config, "--against", other, recording)
    assert done.code == 2
    assert "other.yaml:3:" in done.err
    assert command("replay", "--config", config, "--against", "/nowhere", recording).code == 2


# --- tune ---

VARY = "cell_spread_mv 20..70 step 10"


def tune(command: Run, config: Path, recording: Path, vary: str = VARY, *more: str) -> Any:
    return command("tune", "--config", config, "cell-spread-wide", "--vary", vary, *more, recording)


def test_tune_shows_a_table_a_chart_and_the_knee(
    command: Run, config: Path, recording: Path
) -> None:
    done = tune(command, config, recording)
    assert done.code == 0, done.err
    assert done.out.splitlines()[0] == "cell-spread-wide: cell_spread_mv > 40 and current_a > 0"
    table, chart, knee = done.out.split("\n\n")[1:]
    assert (
        table
        == """\
cell_spread_mv >  raised  a day  in alarm  longest
              20      10   9.60     9.8 h   59 min
              30       5   4.80     4.9 h   59 min
              40       4   3.84     3.9 h   59 min  *
              50       2   1.92   118 min   59 min
              60       1   0.96    59 min   59 min
              70       0   0.00         -        -
* now"""
    )
    assert (
        chart
        == f"""\
cell_spread_mv >
20 {"#" * 41} 10
30 {"#" * 20} 5 <- knee
40 {"#" * 16} 4 <- now
50 {"#" * 8} 2
60 {"#" * 4} 1
70 0"""
    )
    assert knee == "knee at 30 mV: toward fewer alarms, the fall ends there\n"
    assert all(len(x) <= 60 for x in done.out.splitlines())


def test_tune_counts_what_replay_counts(command: Run, config: Path, recording: Path) -> None:
    out = command("replay", "--config", config, "--summary", "--json", recording).out
    counted = objects(out, "rule")[0]
    found = objects(tune(command, config, recording, VARY, "--json").out, "value")
    (now,) = (x for x in found if x["in_force"])
    for key in ("raised", "per_day", "in_alarm_s", "longest_s"):
        assert now[key] == counted[key]
    (knee,) = objects(tune(command, config, recording, VARY, "--json").out, "knee")
    assert (knee["value"], knee["why"], knee["now"]) == (30.0, None, "40 mV")


def test_tune_of_a_delay(command: Run, config: Path, recording: Path) -> None:
    out = tune(command, config, recording, "on_delay 0 min..90 min step 45 min").out
    assert "on_delay, s  raised" in out
    found = objects(
        tune(command, config, recording, "on_delay 0 min..90 min step 45 min", "--json").out,
        "value",
    )
    counts = [(x["value"], x["raised"]) for x in found]
    assert counts == [(0, 4), (60, 4), (2700, 4), (5400, 0)]


def test_tune_without_a_knee_says_why(command: Run, config: Path, recording: Path) -> None:
    out = tune(command, config, recording, "cell_spread_mv 70..80 step 2").out
    assert out.splitlines()[-1].startswith("no knee: ")
    out = tune(command, config, recording, "cell_spread_mv 30..50 step 10").out
    assert out.splitlines()[-1] == "no knee: it takes at least 5 values"


def test_tune_of_an_expression_shows_the_rule_as_it_is(
    command: Run, config: Path, recording: Path
) -> None:
    vary = "temperature_max_degc > charge_max_degc + 20: 10..30 step 10"
    out = command("tune", "--config", config, "pack-hot", "--vary", vary, recording).out
    assert "now: charge_max_degc + 20" in out
    found = rows(out.split("\n\n")[1])
    assert found["10"][0] == "1"  # all the time
    assert found["as"] == ["it", "is", "0", "0.00", "-", "-", "*"]


def test_tune_of_a_rule_on_the_advice_keeps_the_caps_of_the_others(
    command: Run, config: Path
) -> None:
    rules = config.parent / "rules" / "rules.yaml"
    rules.write_text(
        RULES.replace("priority: medium", 'priority: medium\n  charge_limit: "5"')
        + """
- {rule: too-much, about: bank, when: current_a > charge_limit_a, priority: low, say: "{bank}"}
"""
    )
    given = "".join(two_hours())
    out = command("replay", "--config", config, "--summary", "--json", "-", given=given).out
    assert objects(out, "rule")[-1]["raised"] == 1
    vary = ("--vary", "on_delay 0 s..2 min step 1 min")
    out = command("tune", "--config", config, "too-much", *vary, "--json", "-", given=given).out
    assert [x["raised"] for x in objects(out, "value")] == [1, 1, 1]


@pytest.mark.parametrize(
    ("rule", "vary", "says"),
    [
        (
            "cell-spred-wide",
            VARY,
            "no rule is called 'cell-spred-wide'; did you mean 'cell-spread-wide'?",
        ),
        (
            "cell-spread-wide",
            "cell_spread_mv",
            "'cell_spread_mv' cannot be varied; write FIGURE LOW..HIGH",
        ),
        ("cell-spread-wide", "cell_spred_mv 1..2 step 1", "did you mean 'cell_spread_mv'?"),
        (
            "pack-hot",
            "temperature_max_degc 1..2 step 1",
            "say which, such as 'temperature_max_degc > 50: LOW",
        ),
        ("cell-spread-wide", "cell_spread_mv 1..999 step 1", "999 values; at most 200"),
    ],
)
def test_tune_that_is_asked_wrongly(
    command: Run, config: Path, recording: Path, rule: str, vary: str, says: str
) -> None:
    done = command("tune", "--config", config, rule, "--vary", vary, recording)
    assert done.code == 2
    assert done.out == ""
    assert says in done.err
    assert len(done.err.splitlines()) == 1


def test_tune_of_what_is_no_recording(command: Run, config: Path) -> None:
    done = command("tune", "--config", config, "cell-spread-wide", "--vary", VARY, "-", given="")
    assert done.code == 2
    assert done.err == "the recording holds no message\n"


@pytest.mark.parametrize("words", [["tune"], ["tune", "cell-spread-wide", "x.jsonl"]], ids=" ".join)
def test_usage_that_is_wrong(command: Run, words: list[str]) -> None:
    done = command(*words)
    assert done.code == 2
    assert done.err.startswith("usage: watchd tune")


def test_a_person_who_waits_sees_how_far_it_is(
    config: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    path = tmp_path / "long.jsonl"
    path.write_text("".join(line(START + n, {}) for n in range(4000)))
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("watchd.commands.progress.AFTER_S", 0.0)
    monkeypatch.setattr("watchd.commands.progress.EVERY_S", 0.0)
    words = ["--config", str(config), "cell-spread-wide", "--vary", VARY, str(path)]
    assert main(["tune", *words]) == 0
    lines = [shown for shown in terminal.getvalue().split("\r") if shown.strip()]
    assert lines[-1].rstrip().endswith(", 2026-09-21")
    assert lines[-1].startswith("reading 100 % [####################]")
    assert not terminal.getvalue().split("\r")[-2].strip()
    assert "\r" not in capsys.readouterr().out
