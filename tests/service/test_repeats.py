"""Lines of the log that say the same: how often they are said, and with what count."""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
import structlog

from watchd.shell.repeats import HOUR_S, MOST_KINDS, Repeats


class Log:
    """Takes lines at times that the test sets, and keeps what is said."""

    def __init__(self) -> None:
        self.now = 0.0
        self.said: list[dict[str, Any]] = []
        self._repeats = Repeats(lambda: self.now)

    def __call__(self, level: str, event: str, **fields: Any) -> None:
        with contextlib.suppress(structlog.DropEvent):
            self.said.append(dict(self._repeats(None, level, {"event": event, **fields})))


def test_a_warning_is_said_once_and_then_hourly_with_a_count() -> None:
    log = Log()
    for second in range(0, 3 * 3600, 10):
        log.now = float(second)
        log("warning", "no link to the broker", link="out", next_try_s=second / 7)
    assert [x.get("skipped") for x in log.said] == [None, 359, 359]


def test_another_text_is_another_line_and_another_number_is_not() -> None:
    log = Log()
    log("warning", "no link", link="out", next_try_s=1.0)
    log("warning", "no link", link="out", next_try_s=2.0)
    log("warning", "no link", link="telemetry", next_try_s=1.0)
    log("error", "no link", link="out", next_try_s=1.0)
    assert len(log.said) == 3


def test_the_text_of_an_alarm_holds_numbers_and_makes_no_other_line() -> None:
    log = Log()
    for count in range(100):
        log("info", "alarm", rule="cell-high", happened="raised", text=f"cell at {count} mV")
    assert len(log.said) == 10


def test_a_line_may_say_how_often_it_is_worth_saying() -> None:
    log = Log()
    for _ in range(20):
        log("warning", "the link is lost", most_an_hour=3)
    assert log.said == [{"event": "the link is lost"}] * 3


def test_what_a_line_stands_for_is_counted_too() -> None:
    log = Log()
    log("warning", "bad payload", topic="a")
    log("warning", "bad payload", topic="a", skipped=5)
    log.now = HOUR_S
    log("warning", "bad payload", topic="a", skipped=2)
    assert [x.get("skipped") for x in log.said] == [None, 8]


def test_what_was_quiet_for_long_is_said_at_once() -> None:
    log = Log()
    for hours in (0, 30, 31.5):
        log.now = hours * HOUR_S
        log("warning", "a tick failed")
    assert log.said == [{"event": "a tick failed"}] * 3


def test_debugging_lines_are_all_said() -> None:
    log = Log()
    for _ in range(50):
        log("debug", "charge-limit")
    assert len(log.said) == 50


@pytest.mark.parametrize("level", ["warning", "info"])
def test_it_keeps_no_more_than_so_many_kinds(level: str) -> None:
    log = Log()
    for number in range(3 * MOST_KINDS):
        log(level, "bad payload", topic=f"t/{number}")
    assert len(log._repeats._kinds) == MOST_KINDS
