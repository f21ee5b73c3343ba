"""`watchd audit` of a config: what a keeper reads, and how it ends.

Each config in `texts_approved/audit` has the approved text beside it, at 60 columns. After a change
of wording that is meant, write them anew, and read every one that differs before it is kept:

    WATCHD_APPROVE=1 python -m pytest tests/commands/test_audit.py
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from watchd.advice.audit.finding import CAUTION, SHEET
from watchd.commands import main
from watchd.commands.audit_texts import audit_lines

ROOT = Path(__file__).parents[2]
APPROVED = ROOT / "tests" / "texts_approved" / "audit"
APPROVE = "WATCHD_APPROVE" in os.environ
CONFIGS = sorted(APPROVED.glob("*.yaml"))
NO_FAULT = {"in-order", "nothing-entered", "cold-and-hot"}


def audit(capsys: pytest.CaptureFixture[str], config: Path, *words: str) -> tuple[int, str]:
    code = main(["audit", "--config", str(config), *words])
    return code, capsys.readouterr().out


def test_there_are_enough() -> None:
    assert len(CONFIGS) >= 10
    assert {p.with_suffix(".yaml") for p in APPROVED.glob("*.txt")} <= set(CONFIGS)
    assert {p.stem for p in CONFIGS} >= NO_FAULT


@pytest.mark.parametrize("config", CONFIGS, ids=lambda p: p.stem)
def test_text(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    code, text = audit(capsys, config)
    approved = config.with_suffix(".txt")
    if APPROVE:
        approved.write_text(text, encoding="utf-8")
    assert text == approved.read_text(encoding="utf-8")
    assert code == (0 if config.stem in NO_FAULT else 1)
    assert all(len(line) <= 60 for line in text.splitlines())
    assert "\xa0" not in text


@pytest.mark.parametrize("config", CONFIGS, ids=lambda p: p.stem)
def test_who_is_asked_to_change_a_setting_reads_the_caution_before(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    _, text = audit(capsys, config)
    words = " ".join(text.split())
    if "Mind the caution above." in words:
        assert words.index(CAUTION) < words.index("Mind the caution above.")
    assert words.count("Do: ") == words.count(SHEET)


@pytest.mark.parametrize("name", ["config.example.yaml", "config.sunspec.example.yaml"])
def test_the_examples_have_no_fault(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, text = audit(capsys, ROOT / name)
    assert code == 0
    assert re.search(r"^No faults, \d remarks$", text, re.MULTILINE)


def test_nor_has_the_demo(capsys: pytest.CaptureFixture[str]) -> None:
    code, text = audit(capsys, ROOT / "demo" / "config.yaml", "--json")
    assert code == 0
    told = {(f["subject"], f["finding"]) for f in json.loads(text)["findings"]}
    # What tern's count suffers from in the demo.
    assert ("bank/skerry", "no-full-setting") in told


def test_one_pack_with_its_bank(capsys: pytest.CaptureFixture[str]) -> None:
    config = APPROVED / "packs-that-differ.yaml"
    code, text = audit(capsys, config, "--pack", "alder", "--json")
    assert code == 1
    data = json.loads(text)
    assert data["live"] is False
    assert [sheet["pack"] for sheet in data["sheets"]] == ["alder"]
    assert {finding["subject"] for finding in data["findings"]} == {"bank/hut"}


def test_a_pack_that_is_not_in_service_is_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (APPROVED / "packs-that-differ.yaml").read_text("utf-8")
    config = tmp_path / "config.yaml"
    config.write_text(text.replace("cells_in_series: 17", "in_service: false"), "utf-8")
    code, out = audit(capsys, config)
    assert code == 0
    assert "birch" not in out
    assert main(["audit", "-c", str(config), "--pack", "birch"]) == 2
    assert capsys.readouterr().err == "no pack in service is called 'birch'; expected 'alder'\n"


def test_a_config_that_does_not_load(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.yaml"
    config.write_text("banks: 7\n", "utf-8")
    assert main(["audit", "-c", str(config)]) == 2
    assert "config.yaml:1" in capsys.readouterr().err


def test_a_sheet_as_a_running_watchd_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    settings: list[dict[str, Any]] = [
        {"setting": "cell.max_v", "value": 3.65, "origin": "config"},
        {"setting": "bms.overvoltage_v", "value": 3.52, "origin": "telemetry", "config": 3.65},
        {"setting": "leading_cell_v", "value": 3.542, "origin": "telemetry"},
        {"setting": "charge_cell_v", "value": 3.5, "origin": "config"},
        {"setting": "bms.undervoltage_v", "value": 2.6, "origin": "telemetry", "config": 2.6},
        {"setting": "bms.full_v", "value": None, "origin": "default"},
        {"setting": "spread_mv", "value": 42.0, "origin": "telemetry"},
        {"setting": "cells_in_series", "value": 16, "origin": "default"},
        {"setting": "bank.charge_voltage_v", "value": 56.0, "origin": "config"},
    ]
    data = {"sheets": [{"pack": "alder", "bank": "hut", "settings": settings}], "findings": []}
    assert list(audit_lines(data, live=True)) == [
        "As a running watchd has it, with what the BMSs report.",
        "",
        "pack alder, bank hut",
        "a cell, highest first         V  from",
        "cell.max_v                3.650  config",
        "leading cell at full      3.542  + 42 mV, seen at full",
        "bms.overvoltage_v         3.520  telemetry; config 3.650",
        "charge voltage of a cell  3.500  56 V by 16 cells",
        "bms.undervoltage_v        2.600  telemetry",
        "Besides: bms.full_v not entered.",
        "",
        "No faults, no remarks",
    ]
