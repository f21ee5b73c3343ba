"""A store is one daemon's: a second one is told so, and a killed one leaves it free."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.service.brokers import BrokerProcess
from tests.service.clients import Listener
from tests.service.commandline import process
from tests.service.daemon import Start
from tests.service.hut import SERVICE, write_config
from watchd.shell.store.lock import hold


@pytest.mark.broker
def test_a_second_daemon_on_a_store_is_refused(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    config = write_config(tmp_path, broker.port)
    first = watchd(config)
    first.works()
    done = process("run", "--config", config)
    assert done.code == 2
    assert f"another watchd has this store (process {first.process.pid})" in done.err
    assert "a store and a prefix of its own" in done.err
    assert "Traceback" not in done.err
    with Listener(broker.port) as listener:
        listener(SERVICE, lambda d: d["state"] == "running")
    first.kill()
    watchd(config).works()


def test_where_no_lock_can_be_had_the_watching_goes_on(tmp_path: Path) -> None:
    blocked = tmp_path / "a-file"
    blocked.write_text("")
    hold(blocked / "watchd.db")
