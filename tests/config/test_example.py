"""The example of the contract loads, and each value arrives where it is used."""

from __future__ import annotations

from pathlib import Path

import pytest

from watchd import load
from watchd.config import Config, FieldMap
from watchd.rules.rule import Priority, Rule

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def hut() -> tuple[Config, tuple[Rule, ...]]:
    return load(HERE / "hut.yaml")


def test_broker_and_prefix(hut: tuple[Config, tuple[Rule, ...]]) -> None:
    config, _ = hut
    broker = config.broker
    assert (broker.host, broker.port, broker.protocol) == ("localhost", 1883, "3.1.1")
    assert (broker.user, broker.password_file) == ("watchd", "mqtt-password")
    assert broker.tls is not None
    assert broker.tls.ca_file == "ca.pem"
    assert broker.keepalive == 30
    assert config.prefix == "watchd"


def test_bank_and_pack(hut: tuple[Config, tuple[Rule, ...]]) -> None:
    config, _ = hut
    bank, pack = config.banks["hut"], config.packs["alder"]
    assert bank.full_when == "voltage_v >= 55.9 and current_a < 0.05 * nameplate_ah"
    assert (bank.charge_voltage_v, bank.full_hold, bank.max_charge_a) == (56.0, 300.0, 300.0)
    assert (pack.bank, pack.cells_in_series, pack.nameplate_ah) == ("hut", 16, 230.0)
    assert (pack.max_charge_a, pack.max_discharge_a) == (115.0, 150.0)
    bms = pack.bms
    assert (bms.overvoltage_v, bms.overvoltage_recovery_v, bms.full_v) == (3.65, 3.55, 3.5)
    assert (bms.undervoltage_v, bms.undervoltage_recovery_v) == (2.6, 2.9)
    assert pack.balancer is not None
    assert (pack.balancer.current_a, pack.balancer.from_v) == (0.6, 3.4)
    assert (pack.temperature.charge_min_degc, pack.temperature.charge_max_degc) == (0.0, 45.0)
    assert list(config.packs_of("hut")) == ["alder"]


def test_sources(hut: tuple[Config, tuple[Rule, ...]]) -> None:
    config, _ = hut
    document, single = config.sources
    maps = document.json_ or {}
    assert maps["voltage_v"] == [FieldMap(path="$.volts")]
    assert maps["current_a"] == [FieldMap(path="$.amps_out", scale=-1.0)]
    assert maps["cell_v"] == [FieldMap(path="$.mv[*]", scale=0.001)]
    assert maps["protection"][0].bits == {0: "OVER_VOLT", 1: "UNDER_VOLT"}
    assert maps["setting.overvoltage_v"] == [FieldMap(path="$.ov_mv", scale=0.001)]
    assert maps["time"] == [FieldMap(path="$.t")]
    assert single.value == FieldMap(name="cell_v")


def test_store_and_rules(hut: tuple[Config, tuple[Rule, ...]]) -> None:
    config, rules = hut
    assert config.store.path == "/var/lib/watchd/watchd.db"
    assert config.store.keep_raw == 90 * 86400
    (rule,) = rules  # from the folder beside the config
    assert (rule.name, rule.about, rule.priority) == ("cell-spread-wide", "pack", Priority.MEDIUM)
    assert (rule.on_delay_s, rule.off_delay_s) == (120.0, 600.0)
    assert rule.stays is not None
    assert rule.charge_limit is not None
    assert [e.raised for e in rule.examples] == [True, False]


def test_another_folder_of_rules_may_be_named(tmp_path: Path) -> None:
    text = (HERE / "rules" / "cells.yaml").read_text(encoding="utf-8")
    (tmp_path / "own.yaml").write_text(text.replace("cell-spread-wide", "own"), encoding="utf-8")
    for named in (tmp_path, str(tmp_path / "own.yaml")):
        _, rules = load(HERE / "hut.yaml", rules=named)
        assert [rule.name for rule in rules] == ["own"]


def test_everything_but_banks_packs_and_sources_has_a_default(tmp_path: Path) -> None:
    least = tmp_path / "config.yaml"
    least.write_text(
        "banks: {hut: {charge_voltage_v: 56.0}}\n"
        "packs: {alder: {bank: hut, nameplate_ah: 230, max_charge_a: 115}}\n"
        "sources: [{topic: 'hut/{pack}/volts', value: voltage_v}]\n",
        encoding="utf-8",
    )
    config, rules = load(least)
    assert rules  # those that ship
    assert config.packs["alder"].cells_in_series == 16


def test_numbers_may_name_the_packs_of_a_bridge(tmp_path: Path) -> None:
    text = (HERE / "hut.yaml").read_text(encoding="utf-8")
    numbered = tmp_path / "config.yaml"
    numbered.write_text(
        text.replace("    value: cell_v", "    value: cell_v\n    pack_names: {0: alder}"),
        encoding="utf-8",
    )
    config, _ = load(numbered, rules=HERE / "rules")
    assert config.sources[1].pack_names == {"0": "alder"}


def test_a_file_may_begin_with_a_byte_order_mark_and_end_its_lines_as_windows_does(
    tmp_path: Path,
) -> None:
    windows = tmp_path / "config.yaml"
    text = (HERE / "hut.yaml").read_text(encoding="utf-8").replace("\n", "\r\n")
    windows.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert load(windows, rules=HERE / "rules")[0] == load(HERE / "hut.yaml")[0]
