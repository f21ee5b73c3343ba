"""Fifty times the rate that is usual: the newest counts, memory is bounded, people are heard."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Start
from tests.service.faults.process import cpu_s, resident_mb
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import ANNUNCIATION, CONFIG, REQUEST, RULES, SERVICE, write_config
from tests.service.patience import until

pytestmark = pytest.mark.broker

PACKS = ("alder", "birch", "cedar", "dogwood")
# A pack's bridge sends a document a second, or each of its values.
RATE_HZ = 50.0
VALUES = {
    "volts": 53.2,
    "deciamps": 100,
    "soc": 60.0,
    **{f"cell/{n}": 3.325 for n in range(1, 17)},
    **{f"temperature/{name}": 15.0 for name in ("top", "middle", "bottom")},
}
# The block of telemetry that waits for the disk is most of it: 4 MB, of many short lines more.
MOST_GROWN_MB = 60.0
PATIENT_S = 120.0


def config_in(folder: Path, port: int) -> Path:
    config = yaml.safe_load(CONFIG)
    values = {
        "volts": "voltage_v",
        "deciamps": {"name": "current_a", "scale": 0.1},
        "soc": "soc_pct",
        "cell/{cell}": "cell_v",
        "temperature/{sensor}": "temperature_degc",
    }
    return write_config(
        folder,
        port,
        rules=RULES,
        packs={n: {"bank": "hut", "nameplate_ah": 200, "max_charge_a": 100} for n in PACKS},
        sources=[
            config["sources"][0],
            *({"topic": f"shed/{{pack}}/{topic}", "value": v} for topic, v in values.items()),
        ],
        telemetry={"stale_after": "60 s", "figures_every": "1 s"},
    )


def documents(soc_pct: float) -> dict[str, bytes]:
    document = json.dumps(pack(cell_v=cells(), soc_pct=soc_pct)).encode()
    return {f"hut/{name}/state": document for name in PACKS}


def values(soc_pct: float) -> dict[str, bytes]:
    return {
        f"shed/{name}/{topic}": b"%g" % value
        for name in PACKS
        for topic, value in {**VALUES, "soc": soc_pct}.items()
    }


@contextmanager
def flood(sender: Listener, made: Any, end: threading.Event, sent: list[float]) -> Iterator[None]:
    """Sends what `made` gives for a state of charge that rises, 50 times a second."""

    def send() -> None:
        while not end.wait(1.0 / RATE_HZ):
            sent[0] = round(sent[0] + 0.001, 3)
            for topic, payload in made(sent[0]).items():
                sender.send_fast(topic, payload)

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join()
        # What a test sent meanwhile is not the newest.
        for topic, payload in made(sent[0]).items():
            sender.send_fast(topic, payload)


@pytest.mark.parametrize(
    ("made", "what", "seconds"),
    [
        pytest.param(documents, "documents", 2.0, id="documents"),
        pytest.param(documents, "documents", 60.0, id="documents, long", marks=pytest.mark.long),
        pytest.param(values, "single values", 60.0, id="values", marks=pytest.mark.long),
    ],
)
def test_a_flood_is_lived_through(
    broker: BrokerProcess,
    watchd: Start,
    tmp_path: Path,
    record: Record,
    made: Any,
    what: str,
    seconds: float,
) -> None:
    daemon = watchd(config_in(tmp_path, broker.port))
    daemon.works()
    process = daemon.process.pid
    end, sent = threading.Event(), [20.0]
    with Listener(broker.port) as listener, Listener(broker.port, "marks") as sender:
        before_mb, highest_mb = resident_mb(process), 0.0
        begin, used_s = Stopwatch(), cpu_s(process)
        with flood(sender, made, end, sent):
            answers: list[float] = []
            while begin.seconds < seconds:
                number = len(answers)
                asked = Stopwatch()
                mark = b"asked %d" % number
                listener.send(REQUEST, {"do": "nothing"}, reply_to="answers/me", correlation=mark)
                listener.answer(mark)
                answers.append(asked.seconds)
                highest_mb = max(highest_mb, resident_mb(process))
            # An alarm in the middle of it: between two of the flood's documents it is there.
            at, told = listener.now, Stopwatch()
            high = json.dumps(pack(cell_v=leading(3.42, by_mv=60))).encode()
            while not listener.on(ANNUNCIATION, since=at):
                sender.send("hut/alder/state", high)
                assert told.seconds < PATIENT_S, daemon.text
            told_s = told.seconds
            busy = (cpu_s(process) - used_s) / begin.seconds
        after = Stopwatch()
        with Bridge(broker.port) as bridge:
            bridge.says(birch=pack(cell_v=leading(3.42, by_mv=60), soc_pct=sent[0]))
            listener("watchd/alarm/cell-high/pack/birch", bool, since=at)
            seconds_after = after.seconds
        # The newest of each pack counts, and figures show it within 10 s.
        for name in PACKS:
            until(
                lambda n=name: any(  # type: ignore[misc]
                    h.data["figures"]["soc_pct"] == sent[0]
                    for h in listener.on(f"watchd/figures/pack/{n}", since=at)
                ),
                f"the newest of {name}, {sent[0]}",
                within_s=PATIENT_S,
            )
        highest_mb = max(highest_mb, resident_mb(process))
        service = listener.on(SERVICE)[-1].data
        dropped = service["counts"].get("dropped", 0)
        said = daemon.log("messages come faster than they are handled; older ones were dropped")
        assert bool(dropped) <= bool(said), "what is dropped is said"
        assert highest_mb - before_mb < MOST_GROWN_MB
    rate = RATE_HZ * len(made(0.0))
    record(
        f"{rate:.0f} {what}/s for {seconds:.0f} s: {busy:.0%} of a processor, "
        f"+{highest_mb - before_mb:.0f} MB, answers in {max(answers):.1f} s, "
        f"told in {told_s:.1f} s",
        f"{dropped} older messages" if dropped else "nothing",
        seconds_after,
    )
