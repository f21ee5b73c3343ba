"""The clock of the shell, and the options that set it."""

from __future__ import annotations

from argparse import ArgumentParser

import pytest

from watchd.errors import WatchdError
from watchd.shell.clock import Clock, SystemTime, add_clock_options, clock_from

NOW = 1_790_000_000.0


def clock(*options: str) -> Clock:
    parser = ArgumentParser()
    add_clock_options(parser)
    return clock_from(parser.parse_args(options), NOW)


def test_without_options_it_is_the_systems() -> None:
    found = clock()
    assert found.at(NOW + 0.25) == NOW + 0.25
    assert found.system_seconds(120.0) == 120.0


def test_it_shows_start_at_zero_and_runs_at_speed() -> None:
    found = clock("--clock-start", "2026-06-21T08:00:00Z", "--clock-speed", "60")
    start = 1_782_028_800.0
    assert found.at(NOW) == start
    assert found.at(NOW + 2) == start + 120
    assert found.system_seconds(120.0) == 2.0


def test_zero_can_lie_elsewhere() -> None:
    found = clock("--clock-zero", str(NOW - 10), "--clock-speed", "6")
    assert found.at(NOW - 10) == NOW - 10
    assert found.at(NOW) == NOW + 50


def test_time_zones_count() -> None:
    a, b = "2026-06-21T08:00:00+02:00", "2026-06-21T06:00:00Z"
    assert clock("--clock-start", a).at(NOW) == clock("--clock-start", b).at(NOW)


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--clock-speed", "fast"),
        ("--clock-speed", "0"),
        ("--clock-speed", "-1"),
        ("--clock-speed", "nan"),
        ("--clock-speed", "1e9"),
        ("--clock-zero", "nan"),
        ("--clock-zero", "inf"),
        ("--clock-zero", "-1"),
        ("--clock-zero", "noon"),
        ("--clock-start", "noon"),
        ("--clock-start", "2026-06-21T08:00:00"),
    ],
)
def test_values_that_make_no_sense(
    option: str, value: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        clock(f"{option}={value}")
    assert f"'{value}'" in capsys.readouterr().err


@pytest.mark.parametrize(
    "options",
    [
        ("--clock-zero", "0", "--clock-speed", "1000"),
        ("--clock-start", "0001-01-01T00:00:00Z"),
    ],
)
def test_beyond_all_dates(options: tuple[str, ...]) -> None:
    with pytest.raises(WatchdError, match="before 1970 or after 9000"):
        clock(*options)


def test_system_time_runs_with_the_monotonic_clock_and_tells_of_a_step() -> None:
    shown, steady = [1000.0], [50.0]
    system = SystemTime(lambda: shown[0], lambda: steady[0])
    steady[0] = 60.0
    assert system.now() == 1010.0
    shown[0] = 1010.5  # corrected by half a second: taken over, and not worth a word
    assert system.take_over() == 0.0
    assert system.now() == 1010.5
    for step_s in (3600.0, -7200.0):
        shown[0] += step_s
        assert system.now() == pytest.approx(shown[0] - step_s)
        assert system.take_over() == step_s
        assert system.now() == shown[0]
        assert system.at(55.0) == shown[0] - 5.0
