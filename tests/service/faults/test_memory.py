"""Memory over simulated days: it has no trend."""

from __future__ import annotations

import numpy as np
import pytest

from tests.service.faults.days import DAY_S, live
from tests.service.faults.table import Record
from tests.truth.processes import in_processes

HOUR_S = 3600.0
# Windows of a week are full by then, and what grows by doubling has done so.
WARM_UP_DAYS = 15
MOST_MB_A_DAY = 0.1
PACKS = 2


def test_a_day(record: Record) -> None:
    (lived,) = in_processes(live, [(1, 1, HOUR_S)])
    half = len(lived.mb) // 2
    grown_mb = lived.mb[-1] - lived.mb[half]
    record(
        f"{lived.messages} messages of one simulated day: {lived.mb[-1]:.0f} MB",
        f"nothing; {grown_mb:+.1f} MB in its second half",
        None,
    )
    assert lived.published > 1000
    assert grown_mb < 8.0, lived.mb


@pytest.mark.long
def test_thirty_days(record: Record) -> None:
    (lived,) = in_processes(live, [(30, PACKS, DAY_S)])
    warm = np.array(lived.mb[WARM_UP_DAYS:])
    slope = float(np.polyfit(np.arange(len(warm)), warm, 1)[0])
    record(
        f"30 simulated days of {PACKS} packs, {lived.messages} messages, "
        f"{lived.alarms} transitions: {lived.mb[-1]:.0f} MB",
        f"nothing; {slope:+.3f} MB a day after {WARM_UP_DAYS} days",
        None,
    )
    assert lived.alarms > 100
    assert slope < MOST_MB_A_DAY, lived.mb
