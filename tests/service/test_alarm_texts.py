"""What `watchd alarms` prints, from answers as they come."""

from __future__ import annotations

from typing import Any

import pytest

from watchd.commands.alarm_texts import _lasting, history_lines, list_lines, why_lines

RECORD: dict[str, Any] = {
    "alarm": "cell-high/pack/alder",
    "rule": "cell-high",
    "subject": "pack/alder",
    "state": "unacknowledged",
    "priority": "high",
    "since": "2026-09-21T14:13:20.250Z",
    "value": {},
    "text": "alder: cell 7 is at 3.480 V",
    "cause": "",
    "consequence": "",
    "response": "",
    "occurrences": 3,
}


def listed(*alarms: dict[str, Any], left_out: int = 0) -> list[str]:
    return list(list_lines({"alarms": list(alarms), "left_out": left_out}))


def test_nothing_stands() -> None:
    assert listed() == ["nothing stands: every alarm is normal"]


def test_the_most_urgent_first_then_the_oldest_then_what_is_put_aside() -> None:
    later = {**RECORD, "alarm": "b", "since": "2026-09-21T15:00:00.000Z"}
    aside = {**RECORD, "alarm": "c", "since": None, "state": "shelved", "text": ""}
    low = {**RECORD, "alarm": "d", "priority": "low", "since": "2026-01-01T00:00:00.000Z"}
    critical = {**RECORD, "alarm": "e", "priority": "critical"}
    lines = listed(aside, low, later, RECORD, critical)
    heads = [line.split()[0] for line in lines if not line.startswith(" ")]
    assert heads == ["e", "cell-high/pack/alder", "b", "c", "d"]


@pytest.mark.parametrize(
    ("more", "line"),
    [
        ({}, "unacknowledged, raised 2026-09-21 14:13, 3 times"),
        (
            {
                "state": "shelved",
                "condition": "acknowledged",
                "shelved_until": "2026-09-21T22:00:00.000Z",
                "until_cleared": True,
                "occurrences": 1,
            },
            (
                "shelved (acknowledged behind it), until 2026-09-21 22:00, "
                "or until it has returned, raised 2026-09-21 14:13"
            ),
        ),
        (
            {
                "occurrences": 1,
                "chattering": True,
                "stale": True,
                "first_of_group": "hot/pack/alder",
                "unknown": ["current_a"],
            },
            (
                "unacknowledged, raised 2026-09-21 14:13, chattering, stale, after hot/pack/alder, "
                "unknown: current_a"
            ),
        ),
        (
            {"occurrences": 1, "first_of_group": "cell-high/pack/alder"},
            "unacknowledged, raised 2026-09-21 14:13",
        ),
    ],
)
def test_the_state_of_one(more: dict[str, Any], line: str) -> None:
    assert listed({**RECORD, **more})[1] == f"  {line}"


def test_what_was_left_out_is_said() -> None:
    assert listed(RECORD, left_out=7)[-1] == "and 7 more"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.2, "0 s"),
        (4.6, "5 s"),
        (89, "89 s"),
        (599, "10 min"),
        (1434, "24 min"),
        (35_990, "10 h"),
        (36_900, "10 h"),
        (9 * 86400, "9 d"),
        (12.4 * 86400, "12 d"),
    ],
)
def test_durations_have_no_digits_that_nobody_reads(seconds: float, text: str) -> None:
    assert _lasting(seconds) == text


def test_why_with_every_kind_of_part() -> None:
    told = {
        "alarm": "cell-high/pack/alder",
        "state": "shelved",
        "condition": "unacknowledged",
        "priority": "high",
        "text": "alder: cell 7 is at 3.480 V",
        "raised_s": 720.0,
        "changed_s": 60.0,
        "occurrences": 2,
        "unknown": ["current_a"],
        "conditions": {
            "when": {
                "text": "",
                "holds": True,
                "joined": "all",
                "parts": [
                    {
                        "holds": True,
                        "for_s": 725.0,
                        "figure": "cell_max_v",
                        "value": 3.48,
                        "operator": ">",
                        "limit": 3.6,
                        "limit_from": "overvoltage_v - 0.05",
                        "deadband": 0.05,
                        "unit": "V",
                    },
                    {
                        "holds": None,
                        "joined": "not",
                        "parts": [
                            {
                                "holds": None,
                                "for_s": None,
                                "figure": "current_a",
                                "value": None,
                                "operator": "<=",
                                "limit": 0.0,
                                "unit": "A",
                            }
                        ],
                    },
                ],
            },
            "suppress_when": {
                "holds": False,
                "for_s": 3.0,
                "figure": "telemetry_quality",
                "value": "good",
                "operator": "in",
                "limit": '("stale", "bad")',
                "unit": "",
            },
        },
        "waits": [
            {"what": "off_delay", "of_s": 600.0, "left_s": 599.0, "runs": False},
            {"what": "shelved", "left_s": 7200.0, "runs": True},
        ],
    }
    assert "\n".join(why_lines(told)) == WHY.strip("\n")


WHY = """
cell-high/pack/alder: shelved, priority high
Behind it the condition is unacknowledged.
Raised 12 min ago, 2 times: alder: cell 7 is at 3.480 V
It last changed 1 min ago.

It is raised when all of these hold:
  yes      cell_max_v is 3.48 V, above 3.6 V, for 12 min
           (limit: overvoltage_v - 0.05, with the deadband of 0.05 V)
  unknown  this does not hold:
    unknown  current_a is unknown; limit: at most 0 A

It is suppressed by design when this holds:
  no       telemetry_quality is good, not one of ("stale", "bad"), for 3 s

off-delay: stands still, 10 min left of 10 min
shelved: 2 h left
"""


def test_history_tells_what_happened_and_by_whom() -> None:
    entry = {
        "at": 1_790_000_000.25,
        "alarm": "cell-high/pack/alder",
        "event": "raised",
        "before": "normal",
        "state": "unacknowledged",
        "condition": "unacknowledged",
        "priority": "high",
        "told": "flood",
        "by": "",
        "text": "alder: cell 7 is at 3.480 V",
        "values": {"cell_max_v": 3.48, "protection": ["OVER_VOLT"], "current_a": None},
    }
    reset = {**entry, "event": "reset", "before": "latched_acknowledged", "state": "normal"}
    reset |= {"told": "no", "by": "phone"}
    assert list(history_lines([entry, reset])) == [
        "2026-09-21 14:13:20  cell-high/pack/alder",
        "  raised: normal -> unacknowledged, not told (flood)",
        "  alder: cell 7 is at 3.480 V",
        "  cell_max_v 3.48, protection OVER_VOLT, current_a unknown",
        "2026-09-21 14:13:20  cell-high/pack/alder",
        "  reset by phone: latched acknowledged -> normal",
    ]
    for more, says in (
        ({"by_how": "claim"}, "reset by phone (its own word): "),
        ({"by_how": "topic"}, "reset by phone: "),
        ({"by_how": "topic", "claim": "Kim"}, "reset by phone (calls itself Kim): "),
    ):
        assert list(history_lines([reset | more]))[1].startswith(f"  {says}")
    assert list(history_lines([])) == ["nothing was recorded in that time"]


def test_a_group_stands_together_where_its_most_urgent_is() -> None:
    group = {"first_of_group": "wide/pack/alder"}
    first = {**RECORD, **group, "alarm": "wide/pack/alder", "priority": "low"}
    worse = {**RECORD, **group, "alarm": "near/pack/alder", "priority": "high"}
    other = {**RECORD, "alarm": "hot/pack/birch", "priority": "medium"}
    shown = listed(first, worse, other)
    heads = [line for line in shown if line.endswith(("(low)", "(medium)", "(high)"))]
    assert heads == [
        "near/pack/alder  (high)",
        "    wide/pack/alder  (low)",
        "hot/pack/birch  (medium)",
    ]
    assert shown.count("  and with it:") == 1
