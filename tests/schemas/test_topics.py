"""What the engine says is what the AsyncAPI document says, and it says all of that."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.digest.situations import alarm_flood, eight_packs_and_none_well
from tests.digest.situations import week_in_which_it_got_worse as weekly
from tests.scene import CONFIG as LAYOUT
from tests.scene import START, Scene, config_of, leading, pack, rules_of
from tests.schemas.topics import Documented
from watchd.alarms.records import journal_entry
from watchd.config import Digest, Requests, Store
from watchd.digest.record import digest
from watchd.digest.schedule import Period
from watchd.engine import Engine
from watchd.own_rules import Fault
from watchd.publish import Publish, encode
from watchd.requests import JournalQuery, RequestError, answer, parse_request
from watchd.schemas.topics import topics_document
from watchd.shell.store.archive import Archive

# With it, discharge has a limit too; and something that was entered has a sheet that says so.
CONFIG = config_of(
    LAYOUT.replace("max_charge_a: 100}", "max_charge_a: 100, max_discharge_a: 100}").replace(
        "alder: {", "alder: {bms: {overvoltage_v: 3.65}, "
    )
)
RULES = rules_of("""
- {rule: spread, about: pack, when: cell_spread_mv > 40, deadband: {cell_spread_mv: 10},
   priority: high, say: "{pack}: {cell_spread_mv:unit}", caution: Slowly., group: top,
   latching: yes, charge_limit: 0.05 * nameplate_ah}
- {rule: spread-wide, about: pack, when: cell_spread_mv > 50, priority: low, say: "{pack}",
   group: top, re_alarm_time: 5 min, suppress_when: soc_pct < 10}
- {rule: cell-high, about: cell, when: cell_v > 3.5, priority: low, say: "{pack} {cell}"}
- {rule: quiet, about: cell, when: cell_v > 3.4, priority: low, say: "{cell}", annunciate: no}
- {rule: bank-current, about: bank, when: current_a > 30, priority: low, say: "{bank}"}
- {rule: near, about: pack, when: cell_max_v > charge_voltage_v / 16 - 0.2 and not current_a < 0,
   on_delay: 1 h, priority: low, say: "{pack}"}
- {rule: stale, about: pack, when: telemetry_quality == "stale", priority: low, say: "{pack}"}
""")
PHONE = "phone/answer"


def ask(hut: Scene, **request: Any) -> None:
    payload = {key.rstrip("_"): value for key, value in request.items()}
    hut.feed("watchd/request", payload, reply_to=PHONE, correlation=b"7")


def a_day_of_everything() -> Scene:
    """A story in which all happens that watchd can tell of."""
    hut = Scene(RULES, CONFIG)
    wide = pack(cell_v=leading(3.45, by_mv=60), current_a=40)
    hut.run(minutes=2, alder=wide, birch=pack())
    ask(hut, do="list")
    for key in (
        "near/pack/alder",
        "spread/pack/alder",
        "spread-wide/pack/alder",
        "quiet/cell/alder/7",
    ):
        ask(hut, do="why", alarm=key)
    ask(hut, do="acknowledge", alarm="bank-current/bank/hut", by="keeper")
    ask(hut, do="acknowledge", alarm="none/at/all")
    named = {"do": "shelve", "alarm": "quiet/cell/alder/7", "for": "1 h", "by": "phone"}
    hut.feed("watchd/request/keeper", named, reply_to=PHONE)
    hut.feed("watchd/request/keeper", {**named, "do": "unshelve", "for": None}, reply_to=PHONE)
    hut.feed("hut/alder/state", {**wide, "ov_mv": 3520})
    ask(hut, do="audit")
    ask(hut, do="audit", pack="alder")
    hut.feed("hut/alder/state", {**wide, "ov_mv": 3650})
    ask(hut, do="shelve", alarm="cell-high/cell/alder/7", for_="1 h")
    ask(hut, do="shelve", alarm="spread/pack/alder", until_cleared=True)
    ask(hut, do="out_of_service", alarm="stale/pack/birch")
    ask(hut, do="list")
    hut.run(minutes=6, alder=wide, birch=pack())
    hut.run(minutes=1, alder={**wide, "soc": 5}, birch=pack())
    hut.run(minutes=1, alder=pack(), birch=pack())
    for _ in range(8):  # it chatters
        hut.run(seconds=10, alder=wide, birch=pack())
        hut.run(seconds=10, alder=pack(), birch=pack())
    ask(hut, do="list")
    ask(hut, do="unshelve", alarm="cell-high/cell/alder/7")
    ask(hut, do="in_service", alarm="stale/pack/birch")
    hut._heard(hut.engine.fault(Fault.RULES, "rules/a.yaml:1:1: no", hut.now))
    hut._heard(hut.engine.fault(Fault.RULES, None, hut.now))
    hut.run(minutes=5, alder=pack())
    ask(hut, do="list", all_=True)
    hut.run(minutes=25 * 60, every=600, alder=wide, birch=pack())
    ask(hut, do="list")
    for alarm in hut.engine.alarms():
        ask(hut, do="acknowledge", alarm=alarm.key)
    hut.run(minutes=1, alder=pack(), birch=pack())
    for do in ("acknowledge", "reset"):
        for alarm in hut.engine.alarms():
            ask(hut, do=do, alarm=alarm.key)
    a_reanchoring(hut)
    the_digests(hut)
    hut._heard(hut.engine.farewell(hut.now))
    hut._heard(hut.engine.retained())
    return hut


def a_reanchoring(hut: Scene) -> None:
    """By a temporary threshold, from the first look to its record."""
    top = leading(3.498, by_mv=24)
    low, high = (pack(cell_v=top, current_a=4, soc_pct=soc) for soc in (88, 100))
    ask(hut, do="reanchor", pack="alder")
    hut.run(minutes=20, every=20, alder=low, birch=pack())
    ask(hut, do="reanchor", pack="alder", step="begin", way="threshold")
    ask(hut, do="reanchor", pack="alder", step="begin", way="threshold", yes=True)
    ask(hut, do="reanchor", pack="alder", step="set", value_v=3.515)
    hut.run(minutes=1, alder={**low, "prot": 1}, birch=pack())
    hut.run(minutes=1, alder=high, birch=pack())
    ask(hut, do="reanchor", pack="alder", step="restored")
    ask(hut, do="reanchor", pack="alder", step="cancel")
    ask(hut, do="reanchor", pack="alder")
    # Left by an earlier run whose state is lost.
    hut.feed("watchd/reanchor/birch", {"pack": "birch"}, retained=True)


def the_digests(hut: Scene) -> None:
    """Both, with something of all; and one is left by an earlier run that is not wanted now."""
    stands = alarm_flood().standing
    for facts in (eight_packs_and_none_well(), replace(weekly(), standing=stands)):
        record = digest(facts)
        hut._heard(hut.engine.digest(facts.period, record, hut.now))
    unwanted = CONFIG.model_copy(
        update={"digest": Digest.model_validate({"daily": False, "weekly": False})}
    )
    without = Scene(RULES, unwanted)
    for period in Period:
        without.feed(f"watchd/digest/{period}", {"at": "before"}, retained=True)
    assert len(without.said) >= 2
    hut.said.extend(m for m in without.said if m.topic.startswith("watchd/digest/"))


@pytest.fixture(scope="module")
def heard() -> Documented:
    """The document, with all of a day held against it."""
    found = Documented(topics_document(CONFIG))
    hut = a_day_of_everything()
    for message in hut.said:
        found.check(message, "answer" if message.topic == PHONE else None)
    hasty = Scene(RULES, CONFIG.model_copy(update={"requests": Requests(most_a_minute=1)}))
    for _ in range(2):
        ask(hasty, do="list")
    found.check(hasty.said[-1], "answer")
    entries = [journal_entry(transition) for transition in hut.transitions]
    assert len(entries) > 30
    found.check(Publish(PHONE, encode({"ok": True, "entries": entries}), qos=1), "answer")
    return found


# The link makes them; `tests/service/faults/test_killed.py` sees to it.
COPIES = {("newest-annunciation", name) for name in ("annunciation", "step", "withdrawal")}


def test_nothing_is_documented_that_never_comes(heard: Documented) -> None:
    documented = {
        (name, message)
        for name, channel in heard.document["channels"].items()
        for message in channel["messages"]
    }
    assert documented - heard.seen - COPIES == {("request", "request"), ("request-of", "request")}


def test_every_key_of_every_message_comes(heard: Documented) -> None:
    for message in heard.document["components"]["messages"]:
        if message != "request":
            keys = heard.documented_keys(message)
            assert keys <= heard.keys, keys - heard.keys


def test_the_figures_are_all_there(heard: Documented) -> None:
    hut = Scene(RULES, CONFIG)
    hut.run(minutes=1, alder=pack(), birch=pack())
    for subject, name in (("pack/alder", "PackFigures"), ("bank/hut", "BankFigures")):
        schema = heard.document["components"]["schemas"][name]["properties"]["figures"]
        assert set(schema["properties"]) == set(hut.figures(subject))


def any_story(seed: int) -> Scene:
    chance = random.Random(seed)
    hut = Scene(RULES, CONFIG)
    keys: list[str] = []
    for _ in range(80):
        document = pack(
            cell_v=leading(3.45, by_mv=chance.choice([0, 20, 45, 60])),
            current_a=chance.uniform(-20, 40),
            soc_pct=chance.choice([5, 60]),
            protection=chance.choice([0, 0, 1]),
        )
        name = chance.choice(["alder", "birch"])
        hut.feed(f"hut/{name}/state", document if chance.random() > 0.1 else b"nonsense")
        keys = keys or [alarm.key for alarm in hut.engine.alarms()]
        if chance.random() < 0.4:
            request: dict[str, Any] = {
                "do": chance.choice(["acknowledge", "reset", "shelve", "unshelve", "why", "list",
                                     "out_of_service", "in_service", "open"]),
                "alarm": chance.choice(keys),
            }  # fmt: skip
            if request["do"] == "shelve":
                request |= chance.choice([{"for": "2 min"}, {"until_cleared": True}])
            ask(hut, **request)
        hut.seconds += chance.choice([1, 5, 30, 400])
        hut._heard(hut.engine.tick(hut.now))
    return hut


@settings(deadline=None, max_examples=8, derandomize=True, database=None)
@given(st.integers(0, 10_000))
def test_any_story_is_told_as_documented(seed: int) -> None:
    documented = Documented(topics_document(CONFIG))
    for message in any_story(seed).said:
        documented.check(message, "answer" if message.topic == PHONE else None)


async def test_the_journal_answers_as_documented(tmp_path: Path) -> None:
    """The shell answers `history`: with what it holds, or that it holds nothing."""
    hut = Scene(RULES, CONFIG)
    hut.run(minutes=1, alder=pack(cell_v=leading(3.45, by_mv=60)), birch=pack())
    documented = Documented(topics_document(CONFIG))
    for path in (tmp_path / "watchd.db", tmp_path):
        archive = Archive(Store(path=str(path)))
        for transition in hut.transitions:
            archive.journal(journal_entry(transition))
        found = await archive.answer(JournalQuery(None, 0.0, PHONE, b""))
        documented.check(answer(PHONE, found, b""), "answer")
        archive.close()
    assert documented.seen == {("answer", "history"), ("answer", "refusal")}


REQUESTS: list[tuple[Any, bool]] = [
    ({"do": "list"}, True),
    ({"do": "list", "all": True, "by": "keeper"}, True),
    ({"do": "history", "since": "1 d"}, True),
    ({"do": "why", "alarm": "a/pack/b"}, True),
    ({"do": "shelve", "alarm": "a/pack/b", "for": "1 h"}, True),
    ({"do": "shelve", "alarm": "a/pack/b", "until_cleared": True}, True),
    ({"do": "reset", "alarm": "a/pack/b", "reply_to": "x/y"}, True),
    ({"do": "reanchor", "pack": "alder"}, True),
    ({"do": "reanchor", "pack": "alder", "step": "begin", "way": "threshold", "yes": True}, True),
    ({"do": "reanchor", "pack": "alder", "step": "set", "value_v": 3.515}, True),
    ({"do": "reanchor"}, False),
    ({"do": "reanchor", "pack": "alder", "step": "force"}, False),
    ({"do": "reanchor", "pack": "alder", "way": "force"}, False),
    ({"do": "reanchor", "pack": "alder", "step": "set", "value_v": 56.0}, False),
    ({"do": "acknowledge", "alarm": "a/pack/b", "by": "x" * 61}, False),
    ({"do": "acknowledge"}, False),
    ({"do": "open", "alarm": "a/pack/b"}, False),
    ({"alarm": "a/pack/b"}, False),
    ({"do": "shelve", "alarm": "a/pack/b"}, False),
    ({"do": "shelve", "alarm": "a/pack/b", "for": "1 h", "until_cleared": True}, False),
    ({"do": "shelve", "alarm": "a/pack/b", "for": 60}, False),
    ({"do": "shelve", "alarm": "a/pack/b", "for": "1 hour"}, False),
    ({"do": "list", "all": "yes"}, False),
    ({"do": "list", "every": True}, False),
    ([], False),
]


@pytest.mark.parametrize(("request_", "right"), REQUESTS, ids=json.dumps)
def test_a_request_is_taken_if_the_document_says_so(request_: Any, right: bool) -> None:
    documented = Documented(topics_document())
    assert documented.schema("request").is_valid(request_) == right
    try:
        parse_request(encode(request_))
        taken = True
    except RequestError:
        taken = False
    assert taken == right


def test_one_who_begins_says_nothing_before_the_first_moment() -> None:
    engine = Engine(CONFIG, RULES)
    assert engine.retained() == []
    documented = Documented(topics_document(CONFIG))
    for message in engine.tick(START):
        documented.check(message)
