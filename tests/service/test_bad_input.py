"""What cannot be telemetry: refused, told once, counted, and never the cause of an alarm.

Each case has a pack of its own, whose alarm is raised before. Its payloads would end the alarm if
any of them counted.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.scene import cells, leading, pack
from tests.service import brokers
from tests.service.clients import Heard, Listener, raw
from tests.service.daemon import Daemon, daemons
from tests.service.hut import SERVICE, write_config

pytestmark = pytest.mark.broker

SENT = 5  # times, each case
HIGH = pack(cell_v=leading(3.42, by_mv=60))
QUIET = pack(cell_v=cells(3.30))
STATE = "state"


def quiet(**changes: Any) -> dict[str, Any]:
    return {**QUIET, **changes}


def one_cell(millivolts: Any) -> dict[str, Any]:
    return quiet(mv=[*QUIET["mv"][:15], millivolts])


# Name, level of the topic below the pack, payload, what the reason begins with.
CASES: list[tuple[str, str, Any, str]] = [
    ("not JSON", STATE, b"volts=52.8", "not JSON"),
    ("empty", STATE, b"", "not JSON"),
    ("cut off", STATE, raw(QUIET)[:-20], "not JSON"),
    ("not UTF-8", STATE, raw(QUIET).replace(b"volts", b"v\xffolts"), "not UTF-8"),
    ("too large", STATE, quiet(more="a" * 65536), "larger than 65536 bytes"),
    ("too deep", STATE, b"[" * 5000 + b"]" * 5000, "nested too deep"),
    ("NaN", STATE, raw(QUIET).replace(b"52.8", b"NaN"), "not JSON"),
    ("infinite", STATE, raw(QUIET).replace(b"52.8", b"-Infinity"), "not JSON"),
    ("beyond any float", STATE, raw(QUIET).replace(b"52.8", b"1e999"), "voltage_v: outside 0 to"),
    ("a number of 400 digits", STATE, quiet(volts=10**400), "voltage_v: outside 0 to 160"),
    ("no object", STATE, [], "none of the mapped values"),
    ("nothing mapped", STATE, {"uptime": 7}, "none of the mapped values"),
    ("text for a number", STATE, quiet(volts="52.8"), "voltage_v: text where a number belongs"),
    ("yes for a number", STATE, quiet(amps_out=True), "current_a: true/false where a number"),
    ("a cell of text", STATE, one_cell("3300"), "cell_v: text where a number belongs"),
    ("a cell of nothing", STATE, one_cell(None), "cell_v: null where a number belongs"),
    ("15 cells", STATE, quiet(mv=[3300] * 15), "cell_v: 15 values for 16 cells"),
    ("17 cells", STATE, quiet(mv=[3300] * 17), "cell_v: 17 values for 16 cells"),
    ("a negative cell", STATE, one_cell(-3300), "cell_v: outside 0.5 to 5"),
    ("a cell of 40 V", STATE, one_cell(40_000), "cell_v: outside 0.5 to 5"),
    ("a dead sensor", STATE, quiet(temps=[-273.15]), "temperature_degc: outside -60 to 150"),
    ("more than full", STATE, quiet(soc=1000), "soc_pct: outside -5 to 110"),
    ("no bit mask", STATE, quiet(prot="over voltage"), "protection: not a bit mask"),
    ("neither yes nor no", STATE, quiet(chg="perhaps"), "charge_allowed: neither yes nor no"),
    ("a time of 1970", STATE, quiet(t=86400.0), "time before 2020"),
    ("a time to come", STATE, quiet(t="2126-06-21T10:00:00Z"), "time in the future"),
    ("an endless time", STATE, quiet(t=10**400), "time: not a time"),
    ("no time", STATE, quiet(t="noon"), "time: not RFC 3339"),
    ("a time without zone", STATE, quiet(t="2026-06-21T10:00:00"), "time: without a time zone"),
    ("cell 0", "cell/0", 3.3, "cell_v: cell '0' of a pack with 16 cells"),
    ("cell 17", "cell/17", 3.3, "cell_v: cell '17' of a pack with 16 cells"),
    ("cell top", "cell/top", 3.3, "cell_v: cell 'top' of a pack with 16 cells"),
    ("a negative plain cell", "cell/3", -3.3, "cell_v: outside 0.5 to 5"),
    ("a plain cell of 40 V", "cell/3", 40, "cell_v: outside 0.5 to 5"),
    ("plain NaN", "cell/3", b"NaN", "cell_v: not a number"),
    ("plain text", "cell/3", b"3,31", "cell_v: not a number"),
    ("plain JSON", "cell/3", {"v": 3.3}, "cell_v: not a number where a number belongs"),
]
PACKS = {name: f"pack-{number}" for number, (name, *_) in enumerate(CASES)}
ONE = {"bank": "hut", "max_charge_a": 100}
ALL_SENT = SENT * (len(CASES) + 1)  # and an unknown pack


@dataclass(frozen=True, slots=True)
class Aftermath:
    """What there was after all cases were sent."""

    log: list[dict[str, Any]]
    figures: dict[str, Any]
    counts: dict[str, int]
    heard: list[Heard]


@pytest.fixture(scope="module")
def aftermath(mosquitto_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Aftermath:
    """Send all the cases to one daemon."""
    folder = tmp_path_factory.mktemp("bad-input")
    with brokers.mosquitto(mosquitto_path, folder) as broker, daemons() as watchd:
        # Figures are looked at again every 10 s, counts told every 5 s, of this faster clock.
        daemon = watchd(hut_of_all(folder, broker.port), "--clock-speed", "20")
        daemon.works()
        with Listener(broker.port) as listener:
            return send_all(daemon, listener)


def hut_of_all(folder: Path, port: int) -> Path:
    """A config with all the packs."""
    documents = {
        "voltage_v": "$.volts",
        "current_a": {"path": "$.amps_out", "scale": -1},
        "soc_pct": "$.soc",
        "cell_v": {"path": "$.mv[*]", "scale": 0.001},
        "temperature_degc": "$.temps[*]",
        "protection": {"path": "$.prot", "bits": {0: "OVER_VOLT"}},
        "charge_allowed": "$.chg",
        "time": "$.t",
    }
    return write_config(
        folder,
        port,
        packs={name: {**ONE, "nameplate_ah": 200} for name in PACKS.values()},
        sources=[
            {"topic": "hut/{pack}/state", "json": documents},
            {"topic": "hut/{pack}/cell/{cell}", "value": "cell_v"},
        ],
        telemetry={"stale_after": "100 h", "figures_every": "1 s"},
    )


def send_all(daemon: Daemon, listener: Listener) -> Aftermath:
    """Raise every alarm, send every case, and then good telemetry again."""
    names = list(PACKS.values())
    for name in names:
        listener.send_fast(f"hut/{name}/state", HIGH)
    for name in names:
        listener(f"watchd/alarm/cell-high/pack/{name}", lambda d: d is not None)
    at = listener.now
    for _ in range(SENT):
        for case, level, payload, _ in CASES:
            listener.send_fast(f"hut/{PACKS[case]}/{level}", payload)
        listener.send_fast("hut/elm/state", QUIET)
    figures = {
        name: listener(
            f"watchd/figures/pack/{name}",
            lambda d: d["figures"]["telemetry_quality"] == "bad",
            since=at,
        ).data["figures"]
        for name in names
    }
    service = listener(SERVICE, lambda d: d["counts"].get("bad", 0) >= ALL_SENT, since=at)
    listener.hear_all()
    after = listener.now
    for name in names:
        listener.send_fast(f"hut/{name}/state", QUIET)
    for name in names:  # a good message counts again
        listener(
            f"watchd/alarm/cell-high/pack/{name}",
            lambda d: d["state"] == "returned_unacknowledged",
            since=after,
        )
    return Aftermath(
        daemon.log("bad payload"), figures, service.data["counts"], listener.heard[at:after]
    )


@pytest.mark.parametrize(("name", "level", "payload", "reason"), CASES, ids=[c[0] for c in CASES])
def test_refused(aftermath: Aftermath, name: str, level: str, payload: Any, reason: str) -> None:
    bad = PACKS[name]
    topic = f"hut/{bad}/{level}"
    lines = [e for e in aftermath.log if e["topic"] == topic]
    assert len(lines) == 1, "one line, however often it comes"
    assert lines[0]["level"] == "warning"
    assert lines[0]["reason"].startswith(reason)
    text = payload.decode(errors="replace") if isinstance(payload, bytes) else json.dumps(payload)
    assert len(text) < 4 or text not in lines[0]["reason"], (
        "the payload itself stays out of the log"
    )
    assert aftermath.figures[bad]["telemetry_quality"] == "bad"
    assert aftermath.figures[bad]["cell_max_v"] == 3.48, "what was known before stays"
    records = [
        h for h in aftermath.heard if h.topic.endswith(f"/pack/{bad}") and "/alarm/" in h.topic
    ]
    assert records == [], "the alarm neither returned nor was raised again"


def test_an_unknown_pack_is_told_once(aftermath: Aftermath) -> None:
    lines = [e for e in aftermath.log if e["topic"] == "hut/elm/state"]
    assert [e["reason"] for e in lines] == ["unknown pack"]


def test_all_are_counted(aftermath: Aftermath) -> None:
    assert aftermath.counts["bad"] == ALL_SENT
    assert "failed" not in aftermath.counts


def test_no_alarm_moved(aftermath: Aftermath) -> None:
    assert not [h for h in aftermath.heard if h.topic.startswith(("watchd/alarm", "watchd/annun"))]
