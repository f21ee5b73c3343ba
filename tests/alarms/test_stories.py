"""Stories of one alarm: every state, every way out of it, and time that counts or stands still."""

from __future__ import annotations

import pytest

from tests.alarms.story import AT_ONCE, HOT, LOW_CELL, SPREAD, WHILE_CHARGING, alarm_of, tell

STORIES = {
    "raised, acknowledged, returned": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        20              normal
        10       55              normal
        40       60              normal
        70       60              unacknowledged
        80       60              unacknowledged
        90       ack             acknowledged
        100      60              acknowledged
        110      20              acknowledged
        140      20              normal
        """,
    ),
    "returned before anybody saw it": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        100      20              unacknowledged
        130      20              returned_unacknowledged
        9999     20              returned_unacknowledged
        10000    ack             normal
        10010    20              normal
        """,
    ),
    "raised again while nobody has seen the first time": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        100      20              unacknowledged
        130      20              returned_unacknowledged
        200      55              returned_unacknowledged
        259      55              returned_unacknowledged
        260      55              unacknowledged
        270      ack             acknowledged
        """,
    ),
    "a break begins the on-delay anew": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        59       20              normal
        60       55              normal
        119      55              normal
        120      55              unacknowledged
        """,
    ),
    "a break begins the on-delay anew, also while returned": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        61       20              unacknowledged
        91       20              returned_unacknowledged
        100      55              returned_unacknowledged
        159      20              returned_unacknowledged
        161      55              returned_unacknowledged
        220      55              returned_unacknowledged
        221      55              unacknowledged
        """,
    ),
    "after a return the on-delay counts from nothing": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        61       ack             acknowledged
        70       20              acknowledged
        100      20              normal
        101      55              normal
        160      55              normal
        161      55              unacknowledged
        """,
    ),
    "the off-delay is interrupted": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        100      20              unacknowledged
        129      55              unacknowledged
        131      20              unacknowledged
        160      20              unacknowledged
        161      20              returned_unacknowledged
        """,
    ),
    "the off-delay does not carry over from the time before": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        70       20              unacknowledged
        100      20              returned_unacknowledged
        110      55              returned_unacknowledged
        170      55              unacknowledged
        171      20              unacknowledged
        200      20              unacknowledged
        201      20              returned_unacknowledged
        """,
    ),
    "acknowledging leaves the off-delay running": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        100      20              unacknowledged
        120      ack             acknowledged
        129      20              acknowledged
        130      20              normal
        """,
    ),
    "acknowledging leaves the on-delay running": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        70       20              unacknowledged
        100      20              returned_unacknowledged
        200      55              returned_unacknowledged
        230      ack             normal
        259      55              normal
        260      55              unacknowledged
        """,
    ),
    "between the limit and the limit less the deadband it stays raised": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        41              normal
        60       41              unacknowledged
        100      39              unacknowledged
        2000     31              unacknowledged
        4000     30.001          unacknowledged
        6000     30              unacknowledged
        6030     30              returned_unacknowledged
        """,
    ),
    "between the limit and the limit less the deadband it is not raised": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        35              normal
        9000     40              normal
        """,
    ),
    "within the deadband the off-delay begins anew": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        100      25              unacknowledged
        125      35              unacknowledged
        130      25              unacknowledged
        159      25              unacknowledged
        160      25              returned_unacknowledged
        """,
    ),
    "the deadband of a low limit lies above it": (
        LOW_CELL,
        """
        s        cell_min_v      state
        0        2.8             normal
        1        2.79            unacknowledged
        2        2.85            unacknowledged
        3        2.899           unacknowledged
        4        2.901           returned_unacknowledged
        """,
    ),
    "until: what raised it is over, but it stays until told": (
        HOT,
        """
        s        temperature_max_degc  current_a  state
        0        56                    40         unacknowledged
        10       30                    40         unacknowledged
        600      30                    0          unacknowledged
        619      30                    0          unacknowledged
        620      30                    0          returned_unacknowledged
        """,
    ),
    "until: what ends it never raises it": (
        HOT,
        """
        s        temperature_max_degc  current_a  state
        0        30                    40         normal
        10       30                    0          normal
        20       55                    40         normal
        """,
    ),
    "until: it does not return while what raised it stands": (
        HOT,
        """
        s        temperature_max_degc  current_a  state
        0        56                    0          unacknowledged
        100      56                    0          unacknowledged
        130      56                    0          unacknowledged
        140      30                    0          unacknowledged
        160      30                    0          returned_unacknowledged
        """,
    ),
    "until: unknown is no return": (
        HOT,
        """
        s        temperature_max_degc  current_a  state
        0        56                    40         unacknowledged
        10       30                    ?          unacknowledged
        900      30                    ?          unacknowledged
        910      30                    0          unacknowledged
        920      ?                     0          unacknowledged
        990      ?                     0          unacknowledged
        1000     30                    0          unacknowledged
        1010     30                    0          returned_unacknowledged
        """,
    ),
    "unknown from the first": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        ?               normal
        9999     ?               normal
        """,
    ),
    "unknown during the on-delay: time stands still": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        30       ?               normal
        9000     ?               normal
        9100     55              normal
        9129     55              normal
        9130     55              unacknowledged
        """,
    ),
    "unknown at the end of the on-delay: it does not fire on that": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       ?               normal
        90       ?               normal
        100      55              unacknowledged
        """,
    ),
    "unknown and then false: the on-delay begins anew": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        50       ?               normal
        60       20              normal
        70       55              normal
        129      55              normal
        130      55              unacknowledged
        """,
    ),
    "unknown while raised": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        70       ?               unacknowledged
        9000     ?               unacknowledged
        9010     ack             acknowledged
        9999     ?               acknowledged
        """,
    ),
    "unknown during the off-delay: time stands still": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        61       ack             acknowledged
        100      20              acknowledged
        110      ?               acknowledged
        9000     ?               acknowledged
        9100     20              acknowledged
        9119     20              acknowledged
        9120     20              normal
        """,
    ),
    "unknown at the end of the off-delay: it does not return on that": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        100      20              unacknowledged
        130      ?               unacknowledged
        900      ?               unacknowledged
        910      20              returned_unacknowledged
        """,
    ),
    "unknown while returned, and during the on-delay of the next time": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        70       20              unacknowledged
        100      20              returned_unacknowledged
        110      ?               returned_unacknowledged
        9000     55              returned_unacknowledged
        9040     ?               returned_unacknowledged
        9900     55              returned_unacknowledged
        9919     55              returned_unacknowledged
        9920     55              unacknowledged
        """,
    ),
    "one of two figures is unknown: what the other decides is decided": (
        WHILE_CHARGING,
        """
        s        cell_spread_mv  current_a  state
        0        55              ?          normal
        10       55              12         unacknowledged
        20       ?               12         unacknowledged
        30       55              ?          unacknowledged
        40       ?               -5         returned_unacknowledged
        """,
    ),
    "acknowledged again, or with nothing to acknowledge": (
        SPREAD,
        """
        s        cell_spread_mv  state
        0        ack             normal
        10       55              normal
        20       ack             normal
        70       55              unacknowledged
        80       ack             acknowledged
        90       ack             acknowledged
        100      20              acknowledged
        130      20              normal
        140      ack             normal
        """,
    ),
    "without delays it follows every evaluation": (
        AT_ONCE,
        """
        s        cell_spread_mv  state
        0        55              unacknowledged
        0        20              returned_unacknowledged
        1        55              unacknowledged
        2        ack             acknowledged
        2        20              normal
        3        55              unacknowledged
        """,
    ),
}


@pytest.mark.parametrize(("rule", "table"), STORIES.values(), ids=list(STORIES))
def test_story(rule: str, table: str) -> None:
    tell(alarm_of(rule), table)


@pytest.mark.parametrize(("rule", "table"), STORIES.values(), ids=list(STORIES))
def test_story_with_a_restart_before_every_row(rule: str, table: str) -> None:
    tell(alarm_of(rule), table, with_restarts=True)
