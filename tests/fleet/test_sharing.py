"""Two daemons share four banks on a real broker: each watches its own, below its own prefix."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service import brokers, postgresql
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Start, daemons
from watchd.config import instance_of

pytestmark = pytest.mark.broker

BANKS = ["site-1", "site-2", "site-3", "site-4"]
OF = {bank: instance_of(bank, 2) for bank in BANKS}
CONFIG = """
broker: {{host: {host}, port: {port}}}
kinds:
  cabin:
    bank: {{charge_voltage_v: 56.0}}
    packs: {{alder: {{nameplate_ah: 200, max_charge_a: 100}}}}
banks_from: banks.yaml
share: {{of: {of}}}
store: {{path: {store}/watchd.db{more}}}
rules: rules.yaml
sources:
  - topic: site/{{bank}}/{{pack}}/state
    json:
      voltage_v: $.volts
      current_a: {{path: $.amps_out, scale: -1}}
      soc_pct: $.soc
      cell_v: {{path: "$.mv[*]", scale: 0.001}}
      temperature_degc: "$.temps[*]"
"""
RULES = """
- rule: cell-high
  about: pack
  when: cell_max_v > 3.4
  latching: yes
  priority: high
  title: "{pack}: cell high"
  say: "{pack}: a cell is at {cell_max_v:unit}"
  cause: It leads.
  consequence: It may trip.
  response: Charge with less.
"""
HIGH, EVEN = pack(cell_v=leading(3.42, by_mv=60)), pack(cell_v=cells())


@pytest.fixture
def broker(mosquitto_path: Path, tmp_path: Path) -> Iterator[BrokerProcess]:
    with brokers.mosquitto(mosquitto_path, tmp_path) as process:
        yield process


@pytest.fixture
def start() -> Iterator[Start]:
    with daemons() as found:
        yield found


def written(folder: Path, port: int, of: int = 2, more: str = "") -> Path:
    """The one config of all daemons."""
    (folder / "rules.yaml").write_text(RULES)
    (folder / "banks.yaml").write_text("".join(f"{bank}: {{like: cabin}}\n" for bank in BANKS))
    path = folder / "config.yaml"
    text = CONFIG.format(host=brokers.HOST, port=port, of=of, store=folder, more=more)
    path.write_text(text)
    return path


def alarm(instance: int, bank: str) -> str:
    return f"watchd/{instance}/alarm/cell-high/pack/{bank}.alder"


def test_each_watches_its_own_banks_alone(
    broker: BrokerProcess, tmp_path: Path, start: Start
) -> None:
    assert set(OF.values()) == {1, 2}  # or this would show little
    config = written(tmp_path, broker.port)
    with Listener(broker.port, "watchd/#") as listener, Bridge(broker.port) as bridge:
        both = [start(config, "--instance", str(number)) for number in (1, 2)]
        for daemon in both:
            daemon.works()
        for bank in BANKS:
            bridge.send(f"site/{bank}/alder/state", HIGH)
        for bank in BANKS:
            assert listener(alarm(OF[bank], bank)).data["state"] == "unacknowledged"
            listener(f"watchd/{OF[bank]}/figures/pack/{bank}.alder")
        for daemon, number in zip(both, (1, 2), strict=True):
            daemon.stop()
            last = listener(f"watchd/{number}/service", lambda s: s["state"] == "stopped").data
            # Each message once, to the one that it is for.
            assert last["counts"]["messages"] == sum(of == number for of in OF.values())
            assert last["counts"].get("bad", 0) == 0
        for bank in BANKS:
            assert listener.on(alarm(3 - OF[bank], bank)) == []
    for number in (1, 2):
        assert (tmp_path / f"watchd-{number}.db").exists()


@pytest.mark.postgresql
def test_a_bank_moves_with_its_state_to_another_daemon(
    broker: BrokerProcess, tmp_path: Path, start: Start
) -> None:
    """Two share, then three: the third has its banks from the database, alarms and all."""
    pytest.importorskip("psycopg", reason="needs the extra fleet")
    programs = postgresql.programs()
    if programs is None:
        pytest.skip("no PostgreSQL server on this machine")
    moved = next(bank for bank in BANKS if instance_of(bank, 3) == 3)
    with postgresql.server(programs) as server:
        more = f', postgresql: "{server.conninfo}"'
        config = written(tmp_path, broker.port, 2, more)
        with Listener(broker.port, "watchd/#") as listener, Bridge(broker.port) as bridge:
            before = start(config, "--instance", str(OF[moved]))
            before.works()
            bridge.send(f"site/{moved}/alder/state", HIGH)
            listener(alarm(OF[moved], moved))
            bridge.send(f"site/{moved}/alder/state", EVEN)
            latched = listener(
                alarm(OF[moved], moved), lambda a: a["state"] != "unacknowledged"
            ).data
            before.stop()
            config = written(tmp_path, broker.port, 3, more)
            after = start(config, "--instance", "3")
            after.logs("banks taken over, with what others saved of them")
            after.works()
            # It latches: no sample of now says anything of it.
            found = listener(alarm(3, moved)).data
            assert (found["state"], found["since"]) == (latched["state"], latched["since"])
            after.process.send_signal(signal.SIGTERM)
            after.process.wait(30)
