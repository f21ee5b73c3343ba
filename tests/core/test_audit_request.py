"""The audit, asked for on the request topic."""

from __future__ import annotations

import json
from typing import Any

from tests.scene import CONFIG, Scene, config_of, leading, pack

TWO_BANKS = (
    CONFIG.replace("  birch: {bank: hut", "  birch: {bank: barn")
    .replace("banks:", "banks:\n  barn: {charge_voltage_v: 56.0, max_charge_a: 150}")
    .replace("alder: {", "alder: {bms: {overvoltage_v: 3.65}, ")
)


def ask(hut: Scene, **request: Any) -> dict[str, Any]:
    said = hut.feed("watchd/request", {"do": "audit", **request}, reply_to="phone/answer")
    (message,) = [p for p in said if p.topic == "phone/answer"]
    answer: dict[str, Any] = json.loads(message.payload)
    return answer


def settings_of(answer: dict[str, Any], name: str = "alder") -> dict[str, dict[str, Any]]:
    (sheet,) = [s for s in answer["sheets"] if s["pack"] == name]
    return {line.pop("setting"): line for line in sheet["settings"]}


def test_before_anything_has_come_it_is_that_of_the_config() -> None:
    answer = ask(Scene())
    assert answer["ok"]
    assert [(s["pack"], s["bank"]) for s in answer["sheets"]] == [
        ("alder", "hut"),
        ("birch", "hut"),
    ]
    assert settings_of(answer)["bms.overvoltage_v"] == {"value": 3.65, "origin": "default"}
    assert {f["severity"] for f in answer["findings"]} == {"remark"}


def test_what_the_bms_reports_counts_and_is_held_against_the_config() -> None:
    hut = Scene(config=config_of(TWO_BANKS))
    hut.run(minutes=1, alder=pack(ov_mv=3520), birch=pack(ov_mv=3640))
    answer = ask(hut)
    assert settings_of(answer)["bms.overvoltage_v"] == {
        "value": 3.52,
        "origin": "telemetry",
        "config": 3.65,
    }
    # Nobody entered it for birch, so there is nothing to hold it against.
    assert settings_of(answer, "birch")["bms.overvoltage_v"] == {
        "value": 3.64,
        "origin": "telemetry",
    }
    found = [(f["subject"], f["finding"]) for f in answer["findings"] if f["severity"] == "fault"]
    assert found == [
        ("pack/alder", "charge-reaches-overvoltage"),
        ("pack/alder", "recovery-not-below-overvoltage"),
        ("pack/alder", "setting-differs"),
        ("bank/hut", "charger-above-packs"),
        ("bank/barn", "charger-above-packs"),
    ]


def test_of_one_pack_with_its_bank() -> None:
    hut = Scene(config=config_of(TWO_BANKS))
    hut.run(minutes=1, alder=pack(ov_mv=3520), birch=pack())
    answer = ask(hut, pack="birch")
    assert [s["pack"] for s in answer["sheets"]] == ["birch"]
    assert {f["subject"] for f in answer["findings"]} == {"bank/barn"}
    refused = {"ok": False, "error": "no pack in service is called 'brich'; did you mean 'birch'?"}
    assert ask(hut, pack="brich") == refused


def test_the_spread_that_was_seen_at_full_counts() -> None:
    hut = Scene()
    hut.run(minutes=12, alder=pack(cell_v=leading(3.50, by_mv=60), current_a=4, soc_pct=100))
    hut.run(minutes=2, alder=pack(current_a=-10))
    seen_mv = hut.figures("pack/alder")["spread_at_full_mv"]
    assert seen_mv is not None
    line = settings_of(ask(hut))["leading_cell_v"]
    assert line == {"value": round(3.5 + round(seen_mv) / 1000, 6), "origin": "telemetry"}
