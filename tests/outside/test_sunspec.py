"""Names and bits against SunSpec's own model files, and the ready mapping against its JSON.

Source: models 802, 804 and 805 as the package pysunspec2 ships them (SunSpec Alliance, Apache-2.0).
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import sunspec2
import yaml
from sunspec2.file.client import FileClientModel

from tests.scene import START
from watchd.engine import Engine
from watchd.estimators.charging.full import CHARGE_STATES
from watchd.loading import load, shipped
from watchd.telemetry.events import EVENTS, is_trip

MAPPING = Path(__file__).parents[2] / "config.sunspec.example.yaml"


@cache
def symbols(model: int, point: str) -> dict[str, int]:
    path = Path(sunspec2.__file__).parent / "models" / "json" / f"model_{model}.json"
    points = json.loads(path.read_text("utf-8"))["group"]["points"]
    found = next(p for p in points if p["name"] == point)
    return {s["name"]: s["value"] for s in found["symbols"]}


def test_event_names_are_sunspecs() -> None:
    theirs = {name for name in symbols(802, "Evt1") if not name.startswith("RESERVED")}
    # Beside the names themselves we take those with two levels without one, as the alarm.
    without_level = {n.rsplit("_", 1)[0] for n in theirs if n.endswith("_ALARM")}
    ours = set(EVENTS)
    assert theirs - ours == set()
    assert ours - theirs <= without_level
    assert len(EVENTS) == len(ours)


def test_a_warning_is_no_trip() -> None:
    for name in symbols(802, "Evt1"):
        assert not (name.endswith("_WARNING") and is_trip(name))
    for name in ("OVER_VOLT_ALARM", "UNDER_VOLT_ALARM", "OVER_CHARGE_CURRENT_ALARM", "OVER_VOLT"):
        assert is_trip(name)
    assert not is_trip("COMMUNICATION_ERROR")


def test_charge_states_are_sunspecs() -> None:
    theirs = symbols(802, "ChaSt")
    assert set(CHARGE_STATES) <= set(theirs)
    assert set(theirs) - set(CHARGE_STATES) == {"OFF", "TESTING"}  # not told from telemetry


def test_the_ready_mapping_has_every_event_bit_of_model_804() -> None:
    bits: dict[int, str] = yaml.safe_load(MAPPING.read_text("utf-8"))["sources"][0]["json"][
        "protection"
    ]["bits"]
    theirs = {v: n for n, v in symbols(804, "Evt1").items() if not n.startswith("RESERVED")}
    assert bits == theirs


def test_the_ready_mapping_reads_sunspecs_json() -> None:
    """Documents made by the library from raw values and scale factors, as a device holds them."""
    string = FileClientModel(
        804,
        data={
            "ID": 804,
            "NMod": 1,
            "V": 531,
            "V_SF": -1,
            "A": 215,
            "A_SF": -1,
            "SoC": 710,
            "SoC_SF": -1,
            "Evt1": 1 << 9 | 1 << 2,
            "lithium_ion_string_module": [{"ModNCell": 16}],
        },
    )
    module = FileClientModel(
        805,
        data={
            "ID": 805,
            "NCell": 16,
            "CellV_SF": -3,
            "Tmp_SF": -1,
            "lithium-ion-module-cell": [{"CellV": 3300 + i, "CellTmp": 200 + i} for i in range(16)],
        },
    )
    engine = Engine(*load(MAPPING, shipped("rules")))
    engine.feed("sunspec/alder/804", string.get_json(computed=True).encode(), START)
    engine.feed("sunspec/alder/805", module.get_json(computed=True).encode(), START + 1)
    figures = engine.figures()["pack/alder"]
    assert (figures["voltage_v"], figures["current_a"], figures["soc_pct"]) == (53.1, 21.5, 71.0)
    assert figures["protection"] == ("OVER_TEMP_WARNING", "OVER_VOLT_ALARM")
    assert figures["protection_trip"] is True
    assert (figures["cell_max_v"], figures["cell_max_no"]) == (3.315, 16)
    assert (figures["temperature_min_degc"], figures["temperature_max_degc"]) == (20.0, 21.5)
    assert engine.take_notes() == []
