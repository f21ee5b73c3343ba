"""The system's clock is set, by hours or by half a century, while the daemon runs or does not."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Listener
from tests.service.daemon import Daemon, Start
from tests.service.faults.bank import SILENT
from tests.service.faults.faked import FakedClock
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import FIGURES, LIMIT, RULES, SERVICE, write_config
from tests.service.patience import until
from tests.truth import healthy, simulate
from tests.truth.messages import config_of as true_config
from tests.truth.messages import messages
from watchd.config import parse_config
from watchd.documents import parse_document
from watchd.engine import Engine
from watchd.shell.store import Store

pytestmark = pytest.mark.broker

HOUR_S = 3600.0
DELAY_S = 8.0
DELAYED = f"""
- rule: cell-low
  about: pack
  when: cell_min_v < 3.3
  on_delay: {DELAY_S:g} s
  priority: high
  say: "{{pack}}: a cell is at {{cell_min_v:.3f}} V"
"""
LEARNT_STALE_S = 15.0
QUICK = {"stale_after": "5 s", "figures_every": "1 s"}
EVEN = pack(cell_v=cells(), current_a=5.0)
LOW = pack(cell_v=leading(3.33, by_mv=-60), current_a=5.0)
CELL_LOW = "watchd/alarm/cell-low/pack/alder"


class Stamping:
    """Sends documents with their time of measurement, by a clock that a test gives."""

    def __init__(self, listener: Listener, now: Callable[[], float]) -> None:
        self.now, self.says = now, dict.fromkeys(("alder", "birch"), EVEN)
        self._listener = listener
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._repeat)

    @contextmanager
    def running(self) -> Iterator[None]:
        """Sends for as long as that lasts."""
        self._thread.start()
        try:
            yield
        finally:
            self._end.set()
            self._thread.join()

    def _repeat(self) -> None:
        while not self._end.wait(0.2):
            for name, document in self.says.items():
                self._listener.send_fast(f"hut/{name}/state", {**document, "t": self.now()})


def config_in(folder: Path, port: int, **more: Any) -> Path:
    return write_config(folder, port, rules=RULES + SILENT + DELAYED, telemetry=QUICK, **more)


def alarms_told(daemon: Daemon) -> list[str]:
    return [f"{line['rule']} {line['state']}" for line in daemon.log("alarm")]


def moment(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def speaks_of_now(listener: Listener, clock: FakedClock, since: int) -> None:
    """Wait for figures and advice in the reckoning of the clock."""

    def is_near(text: str) -> bool:
        return abs(moment(text) - clock.now()) < HOUR_S / 4

    listener(FIGURES, lambda d: is_near(d["at"]), since=since)
    # Advice is valid for some minutes from when it was said.
    listener(LIMIT, lambda d: d and is_near(d["until"]), since=since)


@pytest.mark.parametrize(
    "by_s",
    [
        pytest.param(-HOUR_S, id="back"),
        pytest.param(HOUR_S, id="forth", marks=pytest.mark.long),
    ],
)
def test_a_step_while_it_runs(
    broker: BrokerProcess,
    watchd: Start,
    tmp_path: Path,
    record: Record,
    by_s: float,
) -> None:
    clock = FakedClock(tmp_path)
    daemon = watchd(config_in(tmp_path, broker.port), environment=clock.environment)
    daemon.works()
    with Listener(broker.port) as listener:
        sender = Stamping(listener, clock.now)
        with sender.running():
            listener(LIMIT, bool)
            sender.says["alder"] = LOW
            listener(FIGURES, lambda d: d["figures"]["cell_min_v"] == 3.27)
            begin = Stopwatch()
            at = listener.now
            clock.set(by_s)
            watch = Stopwatch()
            line = daemon.logs("the system's clock was set")
            assert line["by_s"] == pytest.approx(by_s, abs=1.0)
            speaks_of_now(listener, clock, at)
            seconds = watch.seconds
            # Neither at once nor an hour late.
            since = listener(CELL_LOW, bool, since=at).data["since"]
            assert begin.seconds > DELAY_S - 1.5
            assert moment(since) == pytest.approx(clock.now(), abs=60.0)
            # Longer than what makes telemetry stale.
            until(lambda: watch.seconds > 7.0, "a while")
            listener.hear_all()
        assert alarms_told(daemon) == ["cell-low unacknowledged"]
        counts = listener(SERVICE, bool).data["counts"]
    refused = {name for name in counts if name.startswith(("time", "out_of"))}
    assert not refused, counts
    record(f"clock set by {by_s / HOUR_S:+g} h", "nothing", seconds)


@pytest.mark.long
@pytest.mark.parametrize("stamped", [True, False], ids=["stamped", "plain"])
def test_a_start_in_1970(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, record: Record, stamped: bool
) -> None:
    """A computer without a clock battery, before it has the time from the network."""
    clock = FakedClock(tmp_path, by_s=-time.time() + 86400.0)
    daemon = watchd(config_in(tmp_path, broker.port), environment=clock.environment)
    daemon.works()
    with Listener(broker.port) as listener:
        # The packs' own computer has the right time.
        sender = Stamping(listener, time.time if stamped else lambda: None)  # type: ignore[arg-type, return-value]
        with sender.running():
            speaks_of_now(listener, clock, 0)
            sender.says["alder"] = LOW
            listener(FIGURES, lambda d: d["figures"]["cell_min_v"] == 3.27)
            begin, at = Stopwatch(), listener.now
            clock.set(0.0)
            watch = Stopwatch()
            speaks_of_now(listener, clock, at)
            seconds = watch.seconds
            since = listener(CELL_LOW, bool, since=at).data["since"]
            assert begin.seconds > DELAY_S - 1.5
            assert moment(since) == pytest.approx(time.time(), abs=60.0)
            until(lambda: watch.seconds > 7.0, "a while")
            listener.hear_all()
        assert alarms_told(daemon) == ["cell-low unacknowledged"]
    record("start in 1970, then set to now", "nothing", seconds)


@pytest.fixture(scope="module")
def learnt() -> tuple[dict[str, Any], dict[str, Any]]:
    """Sections of a config, and the state of a daemon that has watched that bank for days.

    The bank is simulated, and its last moment is now.
    """
    made = simulate(healthy(1, [200.0, 200.0]), days=3)
    parsed = true_config(made, 0)
    sources = parsed.sources[0].model_dump(by_alias=True, exclude_unset=True)
    sources["json"]["time"] = "$.t"
    sections = {
        "banks": {n: b.model_dump(exclude_unset=True) for n, b in parsed.banks.items()},
        "packs": {n: p.model_dump(exclude_unset=True) for n, p in parsed.packs.items()},
        "sources": [sources],
        # The simulated packs speak every 10 s.
        "telemetry": {**QUICK, "stale_after": f"{LEARNT_STALE_S:g} s"},
    }
    config = parse_config(parse_document(yaml.safe_dump(sections), "config.yaml"))
    engine = Engine(config, ())
    told = list(messages(made, 0))
    later_s = time.time() - told[-1][2]
    for topic, payload, at in told:
        engine.feed(topic, payload, at + later_s)
    last = {topic.split("/")[1]: json.loads(payload) for topic, payload, _ in told[-2:]}
    return sections, {"engine": engine.snapshot(), "last": last, "at": told[-1][2] + later_s}


LEARNT = ("soc_estimate_pct", "capacity_ah", "charged_ah", "discharged_ah")


@pytest.mark.long
@pytest.mark.parametrize("how", ["while it runs", "while it does not run"])
@pytest.mark.parametrize("by_s", [HOUR_S, -HOUR_S], ids=["forth", "back"])
def test_what_was_learnt_does_not_jump(
    broker: BrokerProcess,
    watchd: Start,
    tmp_path: Path,
    learnt: tuple[dict[str, Any], dict[str, Any]],
    record: Record,
    by_s: float,
    how: str,
) -> None:
    sections, state = learnt
    # It cannot know better than that it has been away for an hour: what it does not know, it
    # withholds, and a jump would be a mistake all the same.
    away = by_s > 0 and how == "while it does not run"
    # However long after it the test comes, its clock begins where that state ends.
    before_s = state["at"] - time.time()
    clock = FakedClock(tmp_path)
    clock.set(before_s)
    config = write_config(tmp_path, broker.port, rules=SILENT, **sections)
    (tmp_path / "store").mkdir()
    store = Store(tmp_path / "store" / "watchd.db")
    store.save(state["engine"])
    store.close()
    daemon = watchd(config, environment=clock.environment)
    daemon.works()
    with Listener(broker.port) as listener:
        sender = Stamping(listener, clock.now)
        sender.says = {n: {**d, "amps": 2.0} for n, d in state["last"].items()}
        with sender.running():
            shown = listener(FIGURES, lambda d: d["figures"]["telemetry_quality"] == "good")
            before = {name: shown.data["figures"][name] for name in LEARNT}
            assert before["soc_estimate_pct"] is not None
            at, watch = listener.now, Stopwatch()
            if how == "while it runs":
                clock.set(before_s + by_s)
            else:
                assert daemon.stop()[0] == 0
                clock.set(before_s + by_s)
                daemon = watchd(config, environment=clock.environment)
                daemon.works()
            later = listener(
                FIGURES,
                lambda d: (
                    d["figures"]["telemetry_quality"] == "good"
                    and abs(moment(d["at"]) - clock.now()) < HOUR_S / 4
                ),
                since=at,
            )
            seconds = watch.seconds
            until(lambda: watch.seconds > LEARNT_STALE_S + 2.0, "telemetry could be stale by now")
            listener.hear_all()
        assert not alarms_told(daemon)
        for heard in (later, listener.on(FIGURES)[-1]):
            after = {name: heard.data["figures"][name] for name in LEARNT}
            # 2 A for the few seconds of the test, and an hour of them would be 2 Ah.
            withheld = {name for name in LEARNT if after[name] is None}
            if not away:
                assert withheld == {name for name in LEARNT if before[name] is None}
            for name in {*LEARNT} - withheld:
                assert after[name] == pytest.approx(before[name], abs=0.2), name
    lost = "an hour of the count, so the estimate is withheld" if away else "nothing"
    record(f"clock set by {by_s / HOUR_S:+g} h {how}: estimates", lost, seconds)
