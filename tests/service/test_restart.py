"""The daemon ends and starts again, with and without what it kept."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import Start
from tests.service.hut import (
    ALARM,
    AMPS,
    ANNUNCIATION,
    FIGURES,
    REQUEST,
    RULES,
    SERVICE,
    write_config,
    write_rules,
)
from tests.service.patience import until
from watchd.shell.store import Store
from watchd.shell.store.contents import pack_text, unpack_state

pytestmark = pytest.mark.broker

HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())


def store_of(config: Path) -> Path:
    return config.parent / "store" / "watchd.db"


def saved(config: Path, word: str) -> bool:
    """Whether the store holds this word; it is written a second or so after a change."""
    with closing(sqlite3.connect(store_of(config), timeout=10)) as db:
        row = db.execute("SELECT state FROM snapshot").fetchone()
    return row is not None and word in json.dumps(unpack_state(row[0]))


@pytest.mark.parametrize("how", ["stop", "kill"])
def test_a_raised_alarm_outlives_a_restart_and_is_not_annunciated_again(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, how: str
) -> None:
    config = write_config(tmp_path, broker.port)
    first = watchd(config)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        since = listener(ALARM, bool).data["since"]
        listener(ANNUNCIATION)
        until(lambda: saved(config, '"unacknowledged"'), "the alarm is saved")
        getattr(first, how)()

        at = listener.now
        second = watchd(config)
        second.works()
        listener(FIGURES, lambda d: d["figures"]["cell_max_v"] == 3.48, since=at)
        listener(AMPS, bool, since=at)
        record = retained(broker.port, "watchd/#")[ALARM].data
        assert record["state"] == "unacknowledged"
        assert record["since"] == since
        assert record["occurrences"] == 1
        listener.hear_all()
        assert len(listener.on(ANNUNCIATION)) == 1

        # And its life goes on: it returns, and can be acknowledged.
        bridge.says(alder=EVEN)
        listener(ALARM, lambda d: d and d["state"] == "returned_unacknowledged", since=at)
        listener.send(REQUEST, {"do": "acknowledge", "alarm": "cell-high/pack/alder"})
        listener(ALARM, lambda d: d is None, since=at)


def test_what_an_earlier_run_left_retained_is_taken_away(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    left = {
        "watchd/alarm/gone/pack/alder": {"rule": "gone", "state": "unacknowledged"},
        "watchd/alarm/cell-high/pack/elm": {"rule": "cell-high", "state": "acknowledged"},
        "watchd/alarm/cell-high/pack/alder": {"rule": "cell-high", "state": "unacknowledged"},
        "watchd/charge-limit/shed": {"limit_a": 100.0},
        "watchd/charge-limit/shed/amps": 100.0,
        "watchd/charge-limit/hut/amps": 100.0,
        "watchd/figures/pack/elm": {"figures": {}},
    }
    others = {"watched/alarm/gone/pack/alder": 1, "hut/alder/name": "alder"}
    with Listener(broker.port) as sender:
        for topic, payload in {**left, **others}.items():
            sender.send(topic, payload, retain=True)
    watchd(write_config(tmp_path, broker.port))
    until(
        lambda: not left.keys() & retained(broker.port, "watchd/#").keys(),
        "what was left is gone",
        seen=lambda: str(retained(broker.port, "watchd/#").keys()),
    )
    assert others.keys() <= retained(broker.port, "#").keys()


def test_an_alarm_whose_rule_is_gone_after_a_restart_is_taken_away(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    config = write_config(tmp_path, broker.port)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        first = watchd(config)
        bridge.says(alder=HIGH)
        listener(ALARM, bool)
        assert first.stop()[0] == 0
        at = listener.now
        write_rules(tmp_path, RULES.replace("cell-high", "cell-higher"))
        watchd(config)
        listener(ALARM, lambda d: d is None, since=at)
        listener("watchd/alarm/cell-higher/pack/alder", bool, since=at)
    assert ALARM not in retained(broker.port, "watchd/#")


def test_rules_that_are_mended_while_it_does_not_run_are_no_longer_a_fault(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    fault = "watchd/alarm/rules-not-loaded/service/watchd"
    config = write_config(tmp_path, broker.port)
    first = watchd(config)
    with Listener(broker.port) as listener:
        listener(SERVICE, lambda d: d["state"] == "running")
        write_rules(tmp_path, "- rule: [")
        listener(fault, bool)
        assert first.stop()[0] == 0
        write_rules(tmp_path, RULES)
        at = listener.now
        watchd(config)
        listener(fault, lambda d: d["state"] == "returned_unacknowledged", since=at)


def test_it_stops_with_a_broker_that_is_away_and_keeps_what_it_knew(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    config = write_config(tmp_path, broker.port)
    first = watchd(config)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH)
        listener(ALARM, bool)
        listener.send(REQUEST, {"do": "acknowledge", "alarm": "cell-high/pack/alder"})
        listener(ALARM, lambda d: d["state"] == "acknowledged")
    broker.kill()
    assert first.stop()[0] == 0
    assert saved(config, '"acknowledged"')
    broker.start()
    watchd(config)
    with Listener(broker.port) as listener:
        assert listener(ALARM, bool).data["state"] == "acknowledged"


def damage_nothing(path: Path) -> None:
    path.parent.rmdir()
    path.parent.write_text("a file where the folder belongs")


def damage_folder(path: Path) -> None:
    path.mkdir()


@pytest.mark.parametrize("damage", [damage_nothing, damage_folder])
def test_a_store_that_cannot_be_used_is_told_and_done_without(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    config = write_config(tmp_path, broker.port)
    store_of(config).parent.mkdir()
    damage(store_of(config))
    daemon = watchd(config)
    line = daemon.logs("the store cannot be written")
    assert line["store"] == str(store_of(config))
    assert line["reason"]
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH)
        listener(ALARM, bool)
    assert daemon.stop()[0] == 0


@pytest.mark.parametrize(
    ("state", "told"),
    [
        ("{", "the store was set aside and another begun"),
        ('{"version": 99}', "saved state not used"),
        (
            '{"version": 1, "at": 1e9, "alarms": {"cell-high/pack/alder": {"state": 7}}}',
            "saved state not used",
        ),
    ],
)
def test_a_saved_state_that_makes_no_sense_is_told_and_done_without(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, state: str, told: str
) -> None:
    config = write_config(tmp_path, broker.port)
    store = Store(store_of(config))
    store.save({})
    store.close()
    with closing(sqlite3.connect(store_of(config))) as db, db:
        db.execute("UPDATE snapshot SET state = ?", (pack_text(state.encode()),))
    daemon = watchd(config)
    daemon.logs(told)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH)
        listener(ALARM, bool)
