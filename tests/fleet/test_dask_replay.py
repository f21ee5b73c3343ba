"""A fleet's history on a Dask cluster gives what each bank gives by itself."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.scene import START, pack
from watchd.commands import main
from watchd.commands.fleet_replay import (
    BankReplay,
    RuleTexts,
    replay_bank,
    replay_banks,
    replay_part,
    texts_of,
)
from watchd.config import Config
from watchd.engine import Engine
from watchd.loading import load_config, load_rules, shipped

distributed = pytest.importorskip("distributed", reason="needs the extra fleet")

BANKS = [f"site-{number}" for number in range(6)]
CONFIG = """
kinds:
  cabin:
    bank: {charge_voltage_v: 56.0}
    packs:
      alder: {nameplate_ah: 200, max_charge_a: 100}
      birch: {nameplate_ah: 200, max_charge_a: 100}
banks_from: banks.yaml
sources:
  - topic: site/{bank}/{pack}/state
    json:
      voltage_v: $.volts
      current_a: {path: $.amps_out, scale: -1}
      soc_pct: $.soc
      cell_v: {path: "$.mv[*]", scale: 0.001}
      temperature_degc: "$.temps[*]"
      protection: {path: $.prot, bits: {0: OVER_VOLT, 1: UNDER_VOLT}}
"""


def lines(bank: str) -> Iterator[dict[str, Any]]:
    """An hour: one pack of every second bank trips now and then, one is silent in the end."""
    number = BANKS.index(bank)
    for step in range(120):
        for shift, name in enumerate(("alder", "birch")):
            if name == "birch" and number % 3 == 0 and step > 60:
                continue
            trips = number % 2 and name == "alder" and step % 30 in (10, 11)
            yield {
                "t": START + 30 * step + shift + number / 10,
                "topic": f"site/{bank}/{name}/state",
                "payload": pack(protection=int(trips), current_a=20 + step % 7),
            }


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A config, a recording of each bank, and one of all."""
    folder = tmp_path_factory.mktemp("fleet")
    (folder / "config.yaml").write_text(CONFIG)
    (folder / "banks.yaml").write_text("".join(f"{b}: {{like: cabin}}\n" for b in BANKS))
    every = []
    for bank in BANKS:
        own = list(lines(bank))
        every += own
        (folder / f"{bank}.jsonl").write_text("".join(json.dumps(x) + "\n" for x in own))
    every.sort(key=lambda line: line["t"])
    (folder / "all.jsonl").write_text("".join(json.dumps(x) + "\n" for x in every))
    return folder


@pytest.fixture(scope="module")
def rules() -> RuleTexts:
    return texts_of(shipped("rules"))


@pytest.fixture(scope="module")
def config(fleet: Path) -> Config:
    return load_config(fleet / "config.yaml")


@pytest.fixture(scope="module")
def one_by_one(fleet: Path, config: Config, rules: RuleTexts) -> dict[str, BankReplay]:
    path = str(fleet / "{bank}.jsonl")
    return {bank: replay_bank(config, rules, bank, [path]) for bank in BANKS}


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        yield client


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("recording", ["{bank}.jsonl", "all.jsonl"])
def test_a_cluster_says_what_each_bank_says_by_itself(
    fleet: Path,
    config: Config,
    rules: RuleTexts,
    one_by_one: dict[str, BankReplay],
    client: Any,
    recording: str,
) -> None:
    found = {r.bank: r for r in replay_banks(config, rules, [str(fleet / recording)], client)}
    assert set(found) == set(BANKS)
    for bank, alone in one_by_one.items():
        assert found[bank].messages == alone.messages
        if recording == "{bank}.jsonl":
            assert found[bank] == alone
        else:  # a recording of all goes on for a moment after the bank's last message
            assert found[bank].transitions[: len(alone.transitions)] == alone.transitions
    assert any(r.raised for r in one_by_one.values())


def test_a_bank_alone_says_what_the_daemon_of_that_bank_would(
    config: Config, one_by_one: dict[str, BankReplay]
) -> None:
    """The same messages through an engine on a config with that bank and no other."""
    bank = "site-3"
    packs = {n: p for n, p in config.packs.items() if p.bank == bank}
    alone = config.model_copy(update={"banks": {bank: config.banks[bank]}, "packs": packs})
    engine = Engine(alone, load_rules(shipped("rules")))
    at = 0.0
    for line in lines(bank):
        at = line["t"]
        engine.feed(line["topic"], json.dumps(line["payload"]).encode(), at)
    engine.tick(at)
    expected = [(round(t.at, 3), t.key, t.event, t.told) for t in engine.take_transitions()]
    found = one_by_one[bank].transitions
    assert [(t["at"], t["alarm"], t["event"], t["told"]) for t in found] == expected
    assert expected


def test_a_bank_whose_recording_is_missing_does_not_end_the_others(
    fleet: Path, config: Config, rules: RuleTexts
) -> None:
    (fleet / "only-site-1.jsonl").write_text((fleet / "site-1.jsonl").read_text())
    found = replay_part(config, rules, ["site-0", "site-1"], [str(fleet / "only-{bank}.jsonl")])
    assert "only-site-0.jsonl: cannot be read" in (found[0].failed or "")
    assert found[1].messages == 240


def test_a_bank_that_falls_silent_is_watched_to_the_end_of_the_recording(
    tmp_path: Path, config: Config, rules: RuleTexts
) -> None:
    early = [line for line in lines("site-1") if line["t"] < START + 600]
    late = [line for line in lines("site-2") if line["t"] > START + 600]
    path = tmp_path / "two.jsonl"
    path.write_text("".join(json.dumps(line) + "\n" for line in (*early, *late)))
    silent, other = replay_part(config, rules, ["site-1", "site-2"], [str(path)])
    stale = {t["alarm"] for t in silent.transitions if t["alarm"].startswith("telemetry-stale/")}
    assert stale == {"telemetry-stale/pack/site-1.alder", "telemetry-stale/pack/site-1.birch"}
    assert silent.end_at == other.end_at == late[-1]["t"]


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("address", ["nonsense", "post://host:1"])
def test_an_address_that_is_none(
    address: str, fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--config", str(fleet / "config.yaml"), "--dask", address, str(fleet / "all.jsonl")]
    assert main(["replay", *words]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"no Dask scheduler at {address}: ")


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_without_workers(
    fleet: Path, client: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def waits_in_vain(*_given: Any) -> Iterator[BankReplay]:
        raise TimeoutError("No valid workers found")  # as Dask has it, after 20 s

    monkeypatch.setattr("watchd.commands.fleet_replay.replay_banks", waits_in_vain)
    address = client.scheduler.address
    words = ["--config", str(fleet / "config.yaml"), "--dask", address, str(fleet / "all.jsonl")]
    assert main(["replay", *words]) == 2
    assert capsys.readouterr().err == (f"the Dask cluster at {address}: No valid workers found\n")


@pytest.mark.filterwarnings("ignore")
def test_the_command(fleet: Path, client: Any, capsys: pytest.CaptureFixture[str]) -> None:
    address = client.scheduler.address
    options = ["replay", "--config", str(fleet / "config.yaml"), "--dask", address]
    assert main([*options, str(fleet / "{bank}.jsonl")]) == 0
    printed = capsys.readouterr().out.splitlines()
    assert sorted(line.partition(":")[0] for line in printed) == BANKS
    assert all("240 messages over" in line or "181 messages" in line for line in printed)
    assert main([*options, "history"]) == 2
    assert "files that every worker can read" in capsys.readouterr().err
