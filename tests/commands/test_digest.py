"""`watchd digest`: the digest of now, or of a day that is past, from a store.

What is kept is invented: alder charges with 20 A from 08:00 to 15:00 UTC, then is full for an hour,
and gives 10 A all night; on the last day it charges until 16:00 and does not become full. birch
idles.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.digest.facts import WELL
from tests.history.measurements import MIDNIGHT
from tests.scene import CONFIG
from tests.service.hut import RULES
from tests.service.test_samples import blocks
from watchd.alarms.state import Event, State, Told
from watchd.commands import main
from watchd.digest.schedule import DAY_S
from watchd.history.columns import Row
from watchd.history.trend_recorder import TrendRun
from watchd.history.trends import FullCharge, PackDay
from watchd.messages import JournalEntry
from watchd.publish import rfc3339
from watchd.rules.rule import Priority
from watchd.shell.store import Kept, Store

DAYS, HOUR_S = 9, 3600
NIGHT_V, DAY_V, TOP_V = 52.8, 53.76, 56.0


def rows(name: str) -> Iterator[Row]:
    """A sample a minute."""
    for second in range(0, DAYS * int(DAY_S) + 8 * HOUR_S, 60):
        day, hour = divmod(second / HOUR_S, 24)
        if name == "birch":
            volts, amps = NIGHT_V, 0.0
        elif not 8 <= hour < 16:
            volts, amps = NIGHT_V, -10.0
        elif hour >= 15 and day < DAYS - 1:
            volts, amps = TOP_V, 2.0
        else:
            volts, amps = DAY_V, 20.0
        yield Row(MIDNIGHT + second, voltage_v=volts, current_a=amps)


def full_charge(day: int) -> FullCharge:
    """At 15:05; with a spread of 20 mV, and 4 more each day. The BMS shows 9 % too little."""
    at = MIDNIGHT + day * DAY_S + 15 * HOUR_S + 300
    return FullCharge(at, 20.0 + 4 * day, None, 91.0, -9.0)


def pack_day(name: str, day: int) -> PackDay:
    """As of midnight, eight hours after it was full."""
    fulls = day if day == DAYS - 1 else day + 1
    own = {
        "since_full_h": 8.0 if fulls > day else 32.0,
        "full_count": fulls,
        "spread_at_full_mv": 20.0 + 4 * (fulls - 1),
        "spread_slope_mv": 4.0,
        "spread_slope_low_mv": 3.0,
    }
    figures = {**WELL, **own} if name == "alder" else {**WELL, "since_full_h": 8.0}
    return PackDay(MIDNIGHT + day * DAY_S, figures, None, None, ())


def entries() -> Iterator[JournalEntry]:
    """A cell of alder is high from 15:00 to 16:10."""
    for day in range(DAYS - 1):
        for hours, event, told, now in (
            (15.0, Event.RAISED, Told.YES, State.UNACKNOWLEDGED),
            (16.167, Event.RETURNED, Told.NO, State.RETURNED_UNACKNOWLEDGED),
        ):
            yield JournalEntry(
                at=MIDNIGHT + day * DAY_S + hours * HOUR_S,
                alarm="cell-high/pack/alder",
                event=event,
                before=State.NORMAL,
                state=now,
                condition=now,
                priority=Priority.HIGH,
                told=told,
                by="",
                text="alder: cell 7 is at 3.528 V",
                values={},
            )


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A config with its store."""
    folder = tmp_path_factory.mktemp("digest")
    (folder / "rules").mkdir()
    (folder / "rules" / "rules.yaml").write_text(RULES)
    store = folder / "watchd.db"
    (folder / "config.yaml").write_text(f"{CONFIG}store: {{path: {store}}}\nrules: rules/\n")
    packs = ("alder", "birch")
    trends = TrendRun(
        full={("alder", f.at): f for f in map(full_charge, range(DAYS - 1))},
        days={(n, round(MIDNIGHT / DAY_S) + d): pack_day(n, d) for n in packs for d in range(DAYS)},
    ).packed()
    with closing(Store(store)) as db:
        samples = [b for name in packs for b in blocks(list(rows(name)), 300, name)]
        db.keep(Kept(None, 0, float("-inf"), 10**12, samples, trends=trends))
        db.take_over(list(entries()))
        while (condensing := db.next_waiting(())) is not None:
            while db.condense(condensing):
                pass
    return folder / "config.yaml"


def run(capsys: pytest.CaptureFixture[str], config: Path, *words: str) -> str:
    assert main(["digest", "--config", str(config), *words]) == 0
    return capsys.readouterr().out


def as_json(capsys: pytest.CaptureFixture[str], config: Path, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run(capsys, config, *words, "--json"))
    return found


def at(seconds: float) -> str:
    return rfc3339(MIDNIGHT + seconds)


def test_energy_of_a_day_that_is_none_of_utc(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From 08:00 on: 7 h of 20 A at 53.76 V, 1 h of 2 A at 56 V, then 16 h of 10 A at 52.8 V."""
    record = as_json(capsys, kept, "--at", at(3 * DAY_S + 8 * HOUR_S))
    alder, birch = record["packs"]
    assert alder["in_kwh"] == pytest.approx(7.526 + 0.112, rel=0.01)
    assert alder["out_kwh"] == pytest.approx(8.448, rel=0.01)
    assert alder["counted_pct"] > 99
    assert (birch["in_kwh"], birch["out_kwh"]) == (0.0, 0.0)
    assert (alder["full"], alder["full_charges"]) == (True, 1)
    assert alder["soc_error_pct"] == -9.0
    # Eight hours at midnight, and eight more.
    assert alder["since_full_h"] == 16.0


def test_a_week_beside_the_one_before(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = as_json(capsys, kept, "--weekly", "--at", at(9 * DAY_S))
    alder = record["packs"][0]
    # Six days of 7.638 kWh, and one of 8 h of 20 A at 53.76 V; before, two days are kept.
    assert alder["in_kwh"] == pytest.approx(6 * 7.638 + 8.602, rel=0.01)
    assert alder["before"]["in_kwh"] == pytest.approx(2 * 7.638, rel=0.01)
    assert alder["full_charges"] == 6
    # 20 mV on the first day, and 4 more each day: the second, and the eighth.
    assert alder["before"]["spread_at_full_mv"] == pytest.approx(24)
    assert alder["spread_at_full_mv"] == pytest.approx(48)
    assert "alder: spread 48 mV at full, 24 a week ago" in record["message"]
    assert (record["alarms"]["told"], record["alarms"]["told_before"]) == (6, 2)
    assert record["alarms"]["per_day"] == pytest.approx(8 / 9, abs=0.01)


def test_as_text_for_a_narrow_terminal(
    kept: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    text = run(capsys, kept, "--at", at(3 * DAY_S + 8 * 3600))
    lines = text.splitlines()
    assert lines[0] == "Both packs full, 2 things to look at"
    assert lines[1] == ""
    assert all(len(line) <= 60 for line in lines[2:])


def test_an_alarm_that_stands_then(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    while_full = as_json(capsys, kept, "--at", at(2 * DAY_S + 15.5 * 3600))
    (alarm,) = while_full["alarms"]["standing"]
    assert alarm["alarm"] == "cell-high/pack/alder"
    assert alarm["since"].startswith(at(2 * DAY_S + 15 * 3600)[:16])
    assert while_full["title"].endswith("1 alarm stands")
    at_night = as_json(capsys, kept, "--at", at(2 * DAY_S + 20 * 3600))
    assert not at_night["alarms"]["standing"]
    assert at_night["alarms"]["told"] == 1


def test_of_a_time_before_all_nothing_is_known(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = as_json(capsys, kept, "--at", at(-50 * DAY_S))
    assert record["title"] == "No full charge seen yet, nothing to do"
    assert record["message"].startswith("alder, birch: no full charge seen yet")
    assert record["alarms"]["per_day"] is None


def test_a_store_that_is_not_there(
    kept: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    missing = tmp_path / "none.db"
    assert main(["digest", "--config", str(kept), "--store", str(missing)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"{missing}: the store cannot be read: ")


def test_a_time_that_is_none(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["digest", "--config", str(kept), "--at", "yesterday"])
    assert end.value.code == 2
    assert "'yesterday' is no time; write 2026-09-21" in capsys.readouterr().err
