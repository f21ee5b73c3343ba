"""`{bank}` in a topic: which pack of which bank a message is about, and whose it is."""

from __future__ import annotations

import json
from collections import Counter

import pytest

from tests.scene import START, Scene, pack
from watchd.config import Config, Elsewhere, of_instance, parse_config
from watchd.config.many import entries_of
from watchd.documents import parse_document
from watchd.telemetry.gate import Gate
from watchd.telemetry.topics import TopicPattern

KINDS = """
banks: {hut: {charge_voltage_v: 56.0}}
packs: {alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100}}
kinds:
  cabin:
    bank: {charge_voltage_v: 56.0}
    packs:
      alder: {nameplate_ah: 200, max_charge_a: 100}
      birch: {nameplate_ah: 200, max_charge_a: 100}
sources:
  - topic: site/{bank}/{pack}/state
    json: {voltage_v: $.volts, cell_v: {path: "$.mv[*]", scale: 0.001}}
    pack_names: {"2": birch}
  - {topic: "site/{bank}/main/amps", pack: alder, value: current_a}
  - {topic: "wide/{bank}-{pack}/amps", value: current_a}
"""
BANKS = """
north: {like: cabin}
south: {like: cabin, bank: {topic_name: "SN 7"}}
east: {like: cabin}
"""


def fleet(more: str = "") -> Config:
    """Three banks of a kind, and one as ever."""
    entries, _ = entries_of(parse_document(BANKS, "banks.yaml"), None)
    document = parse_document(f"{KINDS}{more}\nbanks_from: banks.yaml", "config.yaml")
    return parse_config(document, Elsewhere(entries))


def state(**more: object) -> bytes:
    return json.dumps(pack(**more)).encode()  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("topic", "about"),
    [
        ("site/north/alder/state", "north.alder"),
        ("site/north/2/state", "north.birch"),
        ("site/SN 7/alder/state", "south.alder"),
        ("site/hut/alder/state", "alder"),
        ("site/south/alder/state", None),  # its topics have another name for it
        ("site/north/oak/state", None),
        ("site/hut/birch/state", None),
        ("site/west/alder/state", None),
    ],
)
def test_bank_and_pack_together_say_which(topic: str, about: str | None) -> None:
    scene = Scene(config=fleet())
    scene.engine.feed(topic, state(), START)
    heard = {name for name, h in scene.engine.heard().items() if h.fresh}
    assert heard == ({about} if about else set())


def test_a_pack_named_by_its_source_is_that_of_each_bank() -> None:
    config = fleet()
    assert config.packs_of_source(config.sources[1]) == [
        "alder",
        "north.alder",
        "south.alder",
        "east.alder",
    ]
    scene = Scene(config=config)
    scene.engine.feed("site/north/main/amps", b"12", START)
    scene.engine.feed("site/SN 7/main/amps", b"-3", START)
    figures = scene.engine.figures()
    assert figures["pack/north.alder"]["current_a"] == 12
    assert figures["pack/south.alder"]["current_a"] == -3
    assert figures["pack/east.alder"]["current_a"] is None


def test_one_daemon_subscribes_to_all_at_once() -> None:
    assert Gate(fleet(), Counter()).subscriptions() == [
        "site/+/+/state",
        "site/+/main/amps",
        "wide/+/amps",
    ]


def test_one_of_several_subscribes_to_its_own_banks() -> None:
    """north, south and hut are the first's, by their names; east is the second's."""
    whole = fleet("share: {of: 2}\n")
    assert Gate(of_instance(whole, 1), Counter()).subscriptions() == [
        "site/hut/+/state",
        "site/north/+/state",
        "site/SN 7/+/state",
        "site/hut/main/amps",
        "site/north/main/amps",
        "site/SN 7/main/amps",
        "wide/+/amps",
    ]
    second = of_instance(whole, 2)
    assert Gate(second, Counter()).subscriptions() == [
        "site/east/+/state",
        "site/east/main/amps",
        "wide/+/amps",
    ]


@pytest.mark.parametrize(
    ("topic", "leaves"),
    [
        ("wide/north-alder/amps", True),
        ("wide/east-alder/amps", False),
        ("site/north/alder/state", True),
        ("site/east/oak/state", False),  # a mistake in a bank of ours: to be told
        ("watchd/2/request", False),
    ],
)
def test_what_is_of_others_is_left_to_them(topic: str, leaves: bool) -> None:
    engine = Scene(config=of_instance(fleet("share: {of: 2}\n"), 2)).engine
    assert engine.leaves(topic) == leaves
    assert not Scene(config=fleet()).engine.leaves(topic)


def test_a_bank_that_shares_its_level_has_no_filter_of_its_own() -> None:
    assert TopicPattern("a/{bank}/{pack}/x").subscription_of("hut") == "a/hut/+/x"
    assert TopicPattern("a/bms_{bank}/x").subscription_of("hut") == "a/bms_hut/x"
    assert TopicPattern("a/{bank}_{pack}/x").subscription_of("hut") == "a/+/x"
