"""Hundreds of banks from files: what an installer writes, and what is said of a mistake."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from watchd.commands import main
from watchd.config import Config, instance_of
from watchd.errors import WatchdError
from watchd.loading import load_config

CONFIG = """
kinds:
  cabin:
    bank: {charge_voltage_v: 56.0, full_hold: 10 min}
    packs:
      alder: {nameplate_ah: 280, max_charge_a: 140, bms: {overvoltage_v: 3.60}}
      birch: {nameplate_ah: 230, max_charge_a: 115}
banks_from: BANKS
sources:
  - topic: site/{bank}/{pack}/state
    json: {voltage_v: $.v}
"""
Files = dict[str, str]
Loaded = Callable[..., Config]


@pytest.fixture
def loaded(tmp_path: Path) -> Loaded:
    """The config with these files of banks."""

    def load(files: Files, more: str = "", instance: int | None = None) -> Config:
        folder = tmp_path / "banks"
        folder.mkdir(exist_ok=True)
        for name, text in files.items():
            (folder / name).write_text(text, "utf-8")
        path = tmp_path / "config.yaml"
        path.write_text(CONFIG.replace("BANKS", "banks/") + more, "utf-8")
        return load_config(path, instance)

    return load


def test_a_bank_is_like_its_kind_but_for_what_its_file_says(loaded: Loaded) -> None:
    config = loaded(
        {
            "north-04.yaml": "like: cabin",
            "south.yaml": "like: cabin\n"
            "bank: {charge_voltage_v: 55.2}\n"
            "packs:\n"
            "  alder: {bms: {undervoltage_v: 2.7}}\n"
            "  rowan: {nameplate_ah: 100, max_charge_a: 50}\n",
            "west.yaml": "bank: {charge_voltage_v: 27.6}\n"
            "packs: {one: {cells_in_series: 8, nameplate_ah: 100, max_charge_a: 50}}\n",
        }
    )
    assert list(config.banks) == ["north-04", "south", "west"]
    assert {n: p.bank for n, p in config.packs.items()} == {
        "north-04.alder": "north-04",
        "north-04.birch": "north-04",
        "south.alder": "south",
        "south.birch": "south",
        "south.rowan": "south",
        "west.one": "west",
    }
    south = config.banks["south"]
    assert (south.charge_voltage_v, south.full_hold) == (55.2, 600.0)
    bms = config.packs["south.alder"].bms
    assert (bms.overvoltage_v, bms.undervoltage_v) == (3.60, 2.7)
    assert config.packs["north-04.alder"].bms.undervoltage_v == 2.6
    assert config.packs["west.one"].cells_in_series == 8


def test_one_file_may_hold_them_all(tmp_path: Path) -> None:
    path = tmp_path / "config.yaml"
    path.write_text(CONFIG.replace("BANKS", "banks.yaml"), "utf-8")
    (tmp_path / "banks.yaml").write_text("north: {like: cabin}\nsouth: {like: cabin}\n", "utf-8")
    config = load_config(path)
    assert list(config.packs) == ["north.alder", "north.birch", "south.alder", "south.birch"]


def test_an_instance_reads_the_files_of_its_own_banks_alone(loaded: Loaded) -> None:
    names = [f"site-{number}" for number in range(12)]
    files = {f"{name}.yaml": "like: cabin" for name in names}
    others = next(name for name in names if instance_of(name, 2) == 1)
    files[f"{others}.yaml"] = "not: [a bank"
    config = loaded(files, "share: {of: 2}\n", instance=2)
    assert list(config.banks) == sorted(n for n in names if instance_of(n, 2) == 2)
    with pytest.raises(WatchdError, match=f"{others}.yaml:1"):
        loaded({}, "share: {of: 2}\n", instance=1)


OK = {"a.yaml": "like: cabin"}
TWICE = """
banks: {a: {charge_voltage_v: 56}}
packs: {p: {bank: a, nameplate_ah: 1, max_charge_a: 1}}
"""


@pytest.mark.parametrize(
    ("files", "more", "says"),
    [
        ({"a.yaml": "like: cabni"}, "", "a.yaml:1:7: no kind is called 'cabni'; did you mean"),
        ({"a.yaml": "like: [cabin]"}, "", "a.yaml:1:7: 'like' needs the name of a kind"),
        ({"a.yaml": "like: cabin\nbnak: {}"}, "", "a.yaml:2:1: unknown key 'bnak'; did you mean"),
        ({"a.yaml": ""}, "", "a.yaml:1: a bank has like"),
        ({"a.yaml": "like: cabin\nbank: 7"}, "", "a.yaml:2:7: 'bank' needs keys and values"),
        (
            {"a.yaml": "like: cabin\npacks:\n  alder: {nameplate_ah: many}"},
            "",
            "a.yaml:3:25: 'nameplate_ah' needs a number, but this is 'many'",
        ),
        (
            {"a.yaml": "like: cabin\npacks:\n  alder: {bank: b}"},
            "",
            "a.yaml:3:11: unknown key 'bank'",
        ),
        (
            {"a.yaml": "like: cabin\nbank: {charge_voltage_v: 57.6}"},
            "",
            "a.yaml:2:26: 16 cells at the bank's charge voltage are at 3.600 V each",
        ),
        (
            {"a.yaml": "like: cabin\npacks:\n  birch: {bms: {overvoltage_v: 3.5}}"},
            "",
            "a.yaml:3:.*overvoltage_recovery_v must be below",
        ),
        ({"a b.yaml": "like: cabin"}, "", "a b.yaml:1.*'a b' cannot be a name here"),
        ({"a.yaml": "like: cabin", "a.yml": "like: cabin"}, "", "'a' stands in two files"),
        (
            {"a.yaml": "like: cabin\nbank: {topic_name: b}", "b.yaml": "like: cabin"},
            "",
            "b.yaml:1:1: in topics the bank 'b' is 'b', as 'a' is; see topic_name",
        ),
        (
            {"a.yaml": "like: cabin\nbank: {topic_name: b/c}"},
            "",
            "a.yaml:2:20: 'b/c' cannot stand for a bank",
        ),
        (
            {"a.yaml": 'like: cabin\nbank: {full_when: "voltge_v > 3"}'},
            "",
            "a.yaml:2:20: unknown name 'voltge_v'; did you mean 'voltage_v'",
        ),
        (
            OK,
            "  - {topic: 'x/{bank}/v', pack: oak, value: voltage_v}\n",
            "config.yaml:12:.*no pack in any bank is called 'oak'",
        ),
        (
            OK,
            "  - {topic: x, pack: a.oak, value: voltage_v}\n",
            "config.yaml:12:.*no pack is called 'a.oak'",
        ),
        (OK, "share: {of: 0}\n", "config.yaml:12:13: 'of' must be at least 1"),
        (
            OK,
            TWICE,
            "a.yaml:1:1: the bank 'a' stands in .*config.yaml as well",
        ),
    ],
)
def test_a_mistake_is_told_where_it_is(loaded: Loaded, files: Files, more: str, says: str) -> None:
    with pytest.raises(WatchdError, match=says):
        loaded(files, more)


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    path = tmp_path / "config.yaml"
    path.write_text(CONFIG.replace("BANKS", "bnaks/"), "utf-8")
    with pytest.raises(WatchdError, match="bnaks: there is no such folder of banks"):
        load_config(path)


def test_check_tells_how_many_and_who_watches_whom(
    loaded: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = [f"site-{number}" for number in range(10)]
    loaded({f"{name}.yaml": "like: cabin" for name in names}, "share: {of: 2}\n")
    config = str(tmp_path / "config.yaml")
    assert main(["check", "--config", config]) == 0
    told = capsys.readouterr().out
    first = sum(instance_of(name, 2) == 1 for name in names)
    assert "10 banks, 20 packs, 1 source" in told
    assert f"instance 1: {first} banks\n" in told
    assert main(["check", "--config", config, "--bank", "site-3"]) == 0
    assert f"site-3: watched by instance {instance_of('site-3', 2)}" in capsys.readouterr().out
    assert main(["run", "--config", config]) == 2
    assert "2 daemons share the banks" in capsys.readouterr().err


def test_a_thousand_banks_load_in_a_moment(loaded: Loaded) -> None:
    """At most two seconds are wanted; a tenth of it is what they take (CPU time)."""
    whole = "bank: {charge_voltage_v: 56.0, full_hold: 5 min}\npacks:\n" + "".join(
        f"  {name}: {{nameplate_ah: 280, max_charge_a: 140, cells_in_series: 16}}\n"
        for name in ("alder", "birch", "rowan", "oak")
    )
    files = {f"kind-{number}.yaml": "like: cabin" for number in range(800)}
    files |= {f"own-{number}.yaml": whole for number in range(200)}
    begin = time.process_time()
    config = loaded(files)
    assert time.process_time() - begin < 5.0
    assert (len(config.banks), len(config.packs)) == (1000, 800 * 2 + 200 * 4)


@pytest.mark.parametrize(
    ("conninfo", "says"),
    [
        ("host=db password=hunter2", "a password does not belong in this file"),
        ("postgresql://u:hunter2@db/x", "a database is given by libpq's keywords"),
        ("db", "a database is given by libpq's keywords"),
    ],
)
def test_no_secret_of_a_database_is_taken_or_shown(
    loaded: Loaded, conninfo: str, says: str
) -> None:
    with pytest.raises(WatchdError, match=says) as refused:
        loaded(OK, f'store: {{postgresql: "{conninfo}"}}\n')
    assert "hunter2" not in str(refused.value)
    found = loaded(OK, "store: {postgresql: host=/run/pg dbname='a b' passfile=/etc/x}\n")
    assert found.store.postgresql is not None
