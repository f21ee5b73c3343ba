"""The account as people read it."""

from __future__ import annotations

import pytest

from tests.tuning.happenings import (
    BIRCH,
    DAY,
    HOT,
    HOUR,
    SPREAD,
    START,
    TRIAL,
    happened,
    in_time,
    rule_called,
    stood,
)
from watchd.alarms.state import Event, Told
from watchd.commands.account_table import account_table
from watchd.tuning.account import Account

NEVER = rule_called("soc-stepped")


@pytest.fixture(autouse=True)
def _a_telephone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")


def test_the_worst_comes_first_with_what_is_odd_about_it() -> None:
    account = Account(START)
    story = in_time(
        stood((HOUR, 3 * DAY)),
        stood((HOUR, 2 * HOUR), subject=BIRCH),
        stood(*((t, t + 5.0) for t in (0.0, 10.0, 20.0)), (9 * DAY, None), rule=HOT),
        [happened(20.0, Event.CHATTERING, rule=HOT, told=Told.YES)],
        stood((DAY, 2 * DAY - 1), rule=TRIAL),
    )
    for transition in story:
        account.take(transition)
    rules = [NEVER, SPREAD, TRIAL, HOT]
    assert list(account_table(rules, account, START, START + 10 * DAY)) == [
        "rule              raised  a day  in alarm  longest",
        "pack-hot               4   0.40      24 h      1 d",
        "  chattering once, 3 fleeting (gone within a minute), 1",
        "  stale (a day or more), raised at the end",
        "cell-spread-wide       2   0.20       3 d      3 d",
        "  1 stale (a day or more)",
        "",
        "silent    raised  a day  in alarm  longest",
        "on-trial       1   0.10      24 h     24 h",
        "",
        "never raised: soc-stepped",
        "told 7 times, 0.70 a day: within the budget of 1",
        "up to 4 in 10 min and 5 in an hour; a manned desk",
        "takes at most 2 and 12 (ISA-18.2)",
    ]


def test_a_short_recording_and_one_without_any_alarm() -> None:
    account = Account(START)
    assert list(account_table([HOT], account, START, START + HOUR)) == [
        "never raised: pack-hot",
        "told never; too short to say how often a day",
    ]
