"""Every way in, with ten thousand payloads that nobody should send.

Nothing raises, memory stays, what goes out is as documented, garbage alone raises no alarm, and no
suggestion is above what the pack may carry. A thousand of each always, ten thousand when `long`.
"""

from __future__ import annotations

import gc
import json
import math
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.scene import START, Scene, cells, config_of, leading, pack, rules_of
from tests.schemas.topics import Documented
from tests.security.hostile import Stranger
from watchd.alarms.state import Event
from watchd.commands.recorded import parse_line
from watchd.config import parse_config
from watchd.documents import parse_document
from watchd.engine import Engine
from watchd.errors import Place, WatchdError
from watchd.loading import shipped
from watchd.rules.loader import compile_rules
from watchd.schemas.topics import topics_document

CONFIG_TEXT = """
banks:
  hut: {charge_voltage_v: 56.0, max_charge_a: 200}
packs:
  alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100}
  birch: {bank: hut, nameplate_ah: 200, max_charge_a: 100}
sources:
  - topic: hut/{pack}/state
    json:
      voltage_v: $.volts
      current_a: {path: $.amps_out, scale: -1}
      soc_pct: $.soc
      cell_v: {path: "$.mv[*]", scale: 0.001}
      temperature_degc: "$.temps[*]"
      protection: {path: $.prot, bits: {0: OVER_VOLT, 1: UNDER_VOLT}}
      charge_allowed: $.chg
      time: $.t
  - {topic: "hut/{pack}/deep", json: {soc_pct: "$..soc", voltage_v: "$.list[?@.kind=='v'].value"}}
  - {topic: "hut/{pack}/settings", json: {setting.overvoltage_v: {path: $.ov_mv, scale: 0.001}}}
  - {topic: "hut/{pack}/words", json: {protection: {path: $.trips, words: {HIGH: OVER_VOLT}}}}
  - {topic: "hut/{pack}/cell/{cell}", value: cell_v}
  - {topic: "hut/{pack}/sensor/{sensor}", value: temperature_degc}
  - {topic: "hut/{pack}/amps", value: current_a}
  - {topic: "hut/{pack}/allowed", value: charge_allowed}
  - {topic: "hut/{pack}/trips", value: {name: protection, words: {HIGH: OVER_VOLT}}}
  - {topic: "hut/{pack}/too-hot", value: {name: protection, when_true: OVER_TEMP}}
  - {topic: "hut/{pack}/bits", value: {name: protection, bits: {0: OVER_VOLT, 63: UNDER_VOLT}}}
requests: {most_a_minute: 1000}
telemetry: {figures_every: 1 s, stale_after: 1 h}
"""
CONFIG = config_of(CONFIG_TEXT)
# About what no good value is, so that a refused payload alone can never raise one.
RULES_TEXT = """
- {rule: overfull, about: pack, when: soc_pct > 104, priority: high, say: "{pack} {soc_pct:.0f}"}
- {rule: cell-high, about: cell, when: cell_v > 3.7, priority: high, say: "{pack} {cell}"}
- {rule: reversed, about: pack, when: current_a < -190, priority: low,
say: "{pack} {current_a:.1f}",
   charge_limit: 0.1 * nameplate_ah}
"""
RULES = rules_of(RULES_TEXT)
GOOD: dict[str, list[Any]] = {
    "hut/{pack}/state": [pack(), pack(cell_v=leading(3.4, by_mv=60), t=START), pack(current_a=-5)],
    "hut/{pack}/deep": [{"a": {"soc": 55}, "list": [{"kind": "v", "value": 53.0}]}],
    "hut/{pack}/settings": [{"ov_mv": 3650}],
    "hut/{pack}/words": [{"trips": ["HIGH"]}, {"trips": {"HIGH": True}}, {"trips": "HIGH"}],
    "hut/{pack}/cell/{level}": [3.31, "3.31"],
    "hut/{pack}/sensor/{level}": [17.5],
    "hut/{pack}/amps": [12.5],
    "hut/{pack}/allowed": [True, "on", 1],
    "hut/{pack}/trips": ["HIGH", ["HIGH"]],
    "hut/{pack}/too-hot": [False],
    "hut/{pack}/bits": [0, 1, 2**63],
    "watchd/request": [
        {"do": "list", "all": True},
        {"do": "shelve", "alarm": "overfull/pack/alder", "for": "8 h", "by": "Kim"},
        {"do": "why", "alarm": "cell-high/alder", "reply_to": "watchd/response/me"},
        {"do": "reanchor", "pack": "alder", "step": "begin", "yes": True},
        {"do": "audit"},
        {"do": "history", "since": "7 d"},
    ],
    "watchd/request/{level}": [{"do": "acknowledge", "alarm": "overfull/pack/alder"}],
    "watchd/{level}": [{"state": "running"}],
    "watchd/alarm/{level}/pack/alder": [{"rule": "overfull", "state": "unacknowledged"}],
    "watchd/figures/pack/{level}": [{"figures": {}}],
}  # fmt: skip
SIZES = [1000, pytest.param(10_000, marks=pytest.mark.long)]
ANSWERS = ("phone/answer", "watchd/response/me")


def held(scene: Scene, documented: Documented | None) -> None:
    """What was said is as documented, and no suggestion is above the limits of pack and bank."""
    for message in scene.said:
        if message.retain and not message.payload:
            continue  # what a stranger left is taken away, also where nothing of ours can be
        answers = message.topic in ANSWERS or message.topic.startswith("watchd/response/")
        if documented is not None:
            documented.check(message, "answer" if answers else None)
        if message.topic == "watchd/charge-limit/hut/amps" and message.payload:
            assert 0 <= float(message.payload) <= 200
        if message.topic == "watchd/charge-limit/hut" and message.payload:
            for part in json.loads(message.payload)["parts"]:
                assert part.get("pack_limit_a", 0) <= 100
    scene.said.clear()


@pytest.fixture(scope="module")
def documented() -> Documented:
    return Documented(topics_document(CONFIG))


def known(scene: Scene) -> int:
    """How much the engine keeps: the items of all that can be reached from it."""
    return len(json.dumps(scene.engine.snapshot()))


@pytest.mark.parametrize("number", SIZES)
@pytest.mark.parametrize("topic", GOOD)
def test_payloads(topic: str, number: int, documented: Documented) -> None:
    stranger = Stranger(len(topic) + number, GOOD[topic])
    scene = Scene(RULES, CONFIG)
    scene.run(seconds=10, alder=pack(), birch=pack())
    for index in range(number):
        level = stranger.text().replace("/", "_").replace("+", "_").replace("#", "_") or "x"
        name = stranger.rng.choice(["alder", "birch", "elm", level[:40]])
        payload = stranger.payload()
        scene.seconds += stranger.rng.choice([0.0, 0.1, 1.0])
        options: dict[str, Any] = {"retained": stranger.rng.random() < 0.1}
        if topic.startswith("watchd/"):
            options["reply_to"] = stranger.rng.choice([None, "phone/answer", stranger.text()])
            options["correlation"] = stranger.rng.randbytes(stranger.rng.choice([0, 8, 2000]))
        scene.feed(topic.format(pack=name, level=level), payload, **options)
        if options.get("reply_to") not in (None, *ANSWERS):
            scene.said = [p for p in scene.said if p.topic != options["reply_to"]]
        if index % 50 == 0:
            held(scene, documented)
            scene.transitions.clear()
            scene.engine.take_notes()
            scene.engine.take_queries()
    held(scene, documented)
    assert known(scene) < 200_000
    # It does its job as before.
    scene.seconds += 1
    for name in ("alder", "birch"):
        scene.feed(f"hut/{name}/state", pack(soc_pct=105.0, cell_v=cells(3.31)))
    assert scene.raised("overfull", "pack/alder")


def test_garbage_alone_raises_no_alarm() -> None:
    """With all the shipped rules; nothing that is refused counts as a measurement."""
    paths = sorted(shipped("rules").glob("*.yaml"))
    scene = Scene(compile_rules([(str(p), p.read_text("utf-8")) for p in paths]), CONFIG)
    scene.run(minutes=1, alder=pack(), birch=pack())
    scene.transitions.clear()
    stranger = Stranger(7, [pack()])
    topics = [t for t in GOOD if t.startswith("hut/")]
    for index in range(1000):
        before = scene.counts().get("bad", 0) if index % 100 == 0 else None
        topic = stranger.rng.choice(topics).format(pack="alder", level="17")
        garbage = stranger.rng.choice([
            b"", b"\xff", b"{", b"[" * 50_000, b'{"volts": "x", "mv": "y", "soc": 1e9}',
            b'{"x": 1}',
            b'{"mv": [1e9]}', b'{"ov_mv": 1e300}', b'{"prot": -1}', b'{"prot": 1e400}',
            b'{"trips": 7}',
        ])  # fmt: skip
        scene.feed(topic, garbage)
        if index % 20 == 0:
            scene.run(seconds=5, alder=pack(), birch=pack())
        if before is not None:
            assert scene.counts()["bad"] >= before
    assert [t.key for t in scene.transitions if t.event is Event.RAISED] == []


@pytest.mark.parametrize("number", [300, pytest.param(10_000, marks=pytest.mark.long)])
@pytest.mark.parametrize("kind", ["rules", "config"])
def test_texts_of_files(kind: str, number: int) -> None:
    text = RULES_TEXT if kind == "rules" else CONFIG_TEXT
    pieces = [
        "&a ", "*a", "<<: ", "!!python/object/apply:os.system [x]", "{", "}", "[", "]", ": ",
        "- ", "\t",
        "9" * 400, "1e999", "0x" + "f" * 300, ":".join(["59"] * 200), ".inf", ".nan", "~",
        '"\\ud800"', "|",
        ">", "%YAML 9", "---", "...", "#", "'", '"', "\0", "\ufeff", "{pack.__class__}",
        "{pack:>9999999}",
        "__import__('os')", "9**9**9", "$[?match(@.a,'(a+)+$')]", "hut/#", "$SYS/x",
        "{pack}{cell}", "\u2028",
    ]  # fmt: skip
    stranger = Stranger(11, [0])
    rng = stranger.rng
    loaded = 0
    refused = []
    for _ in range(number):
        changed = text
        for _ in range(rng.randint(1, 3)):
            at, skip = rng.randrange(len(changed)), rng.choice([0, 0, 1, 5, 40])
            changed = changed[:at] + rng.choice([*pieces, ""]) + changed[at + skip :]
        try:
            if kind == "rules":
                compile_rules([("rules.yaml", changed)])
            else:
                parse_config(parse_document(changed, "config.yaml"))
            loaded += 1
        except WatchdError as error:
            refused.append(str(error))
    assert all(refused), "it is said what is wrong"
    assert 0 < loaded < number


@pytest.mark.parametrize("number", SIZES)
def test_lines_of_recordings(number: int) -> None:
    good = [{"t": START, "topic": "hut/alder/state", "payload": pack()}, {"t": START, "topic": "x",
             "payload": "text", "retained": True}]  # fmt: skip
    stranger = Stranger(13, good)
    engine = Engine(CONFIG, RULES)
    engine.tick(START)
    taken = 0
    refused = []
    for _ in range(number):
        try:
            message = parse_line(stranger.payload(), Place("recording", 1))
        except WatchdError as error:
            refused.append(str(error))
            continue
        taken += 1
        # The times of a recording are its own; here they go on.
        engine.feed(message.topic, message.payload, START + taken, message.retained)
    assert taken > number // 20
    assert all(text.startswith("recording:1") for text in refused)


def _changed_state(stranger: Stranger, state: Any, depth: int = 0) -> Any:
    """One value of a snapshot, however deep, is another."""
    if isinstance(state, dict) and state and stranger.rng.random() < 0.95:
        key = stranger.rng.choice(list(state))
        return {**state, key: _changed_state(stranger, state[key], depth + 1)}
    if isinstance(state, list) and state and stranger.rng.random() < 0.9:
        at = stranger.rng.randrange(len(state))
        return [*state[:at], _changed_state(stranger, state[at], depth + 1), *state[at + 1 :]]
    odd: list[Any] = [math.nan, math.inf, -math.inf, 10**400, -1, 0, "", "x", None, [], {}, True]
    return stranger.rng.choice([*odd, stranger.value()])


@pytest.mark.parametrize(
    ("beginning", "number"),
    [*((b, 50) for b in range(17, 23)), pytest.param(17, 3000, marks=pytest.mark.long)],
)
def test_states_from_the_disk(beginning: int, number: int) -> None:
    scene = Scene(RULES, CONFIG)
    scene.run(minutes=1, alder=pack(soc_pct=105.0), birch=pack())
    state = json.loads(json.dumps(scene.engine.snapshot()))
    stranger = Stranger(beginning, [state])
    for _ in range(number):
        broken = _changed_state(stranger, state)
        late = Scene(RULES, CONFIG, state=broken if isinstance(broken, dict) else None)
        late.seconds = 65.0
        for _ in range(2):
            late.seconds += 10
            late.feed("hut/alder/state", pack(soc_pct=105.0))
            late.feed("hut/birch/state", pack())
        held(late, None)  # a figure of before may be of another kind
        assert late.raised("overfull", "pack/alder")
        json.dumps(late.engine.snapshot())


def _topics(count: int) -> list[Callable[[int], tuple[str, Any]]]:
    """Dictionaries that a stranger could fill: by names of packs, cells, sensors, words, askers."""
    del count
    return [
        lambda n: (f"hut/p{n}/state", pack()),
        lambda n: (f"hut/alder/cell/c{n}", 3.3),
        lambda n: (f"hut/alder/sensor/s{n}", 17.0),
        lambda n: ("hut/alder/words", {"trips": [f"word-{n}-{k}" for k in range(5)]}),
        lambda n: (f"watchd/request/n{n}", {"do": "list"}),
        lambda n: (f"watchd/alarm/r{n}/pack/x", {"rule": "x"}),
        lambda n: (f"hut/{'x' * 5000}{n}/state", pack()),
        lambda n: (f"elsewhere/{n}", 1),
    ]


@pytest.mark.parametrize("which", range(8))
@pytest.mark.parametrize("number", [1000, pytest.param(30_000, marks=pytest.mark.long)])
def test_what_strangers_name_does_not_grow(which: int, number: int) -> None:
    scene = Scene(RULES, CONFIG)
    scene.run(seconds=10, alder=pack(), birch=pack())
    make = _topics(number)[which]

    def send(numbers: range) -> None:
        lines = 0
        for n in numbers:
            topic, payload = make(n)
            scene.feed(topic, payload, retained=topic.startswith("watchd/alarm"))
            scene.said.clear()
            lines += len(scene.engine.take_notes())
            scene.engine.take_queries()
        assert lines <= 500, "nor does the log"

    send(range(800))
    gc.collect()
    tracemalloc.start()
    try:
        # Where the first have filled what is bounded, those that follow take nothing more.
        send(range(800, 800 + number))
        gc.collect()
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    routes = 20_000 * 800 if number > 20_000 else number * 800
    assert kept < 500_000 + routes, f"{kept} bytes are kept"


def test_nothing_here_opens_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names that would be paths, and texts that would be code, stay names and texts."""
    monkeypatch.chdir(tmp_path)
    stranger = Stranger(19, [pack(), {"do": "list"}])
    scene = Scene(RULES, CONFIG)
    for _ in range(500):
        level = stranger.text().replace("+", "").replace("#", "")
        scene.feed(f"hut/{level}/state", stranger.payload())
        scene.feed("watchd/request/../../x", stranger.payload(), reply_to="../x")
    assert list(tmp_path.iterdir()) == []
