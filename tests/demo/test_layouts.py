"""The three layouts: the same reading, told in three ways."""

import json
from typing import Any

import pytest

from demo.skerry.bms import OVER_VOLTAGE
from demo.skerry.charger import Follower
from demo.skerry.layouts import auk, eider, tern
from demo.skerry.live import hear
from demo.skerry.pack import Reading

READING = Reading(
    at=1782030000.0,
    voltage_v=53.71,
    current_a=55.3,
    soc_pct=88,
    cells_v=tuple(3.35 + number / 1000 for number in range(16)),
    temperatures_degc=(19.4, 20.1),
    charge_allowed=False,
    discharge_allowed=True,
    balancing=True,
    protection=(OVER_VOLTAGE,),
)


def test_auk() -> None:
    (message,) = auk(READING)
    document = json.loads(message.payload)
    assert message.topic == "skerry/auk/state"
    assert document["t"] == 1782030000.0
    assert document["amps_out"] == -55.3
    assert document["total_mv"] == 53710
    assert document["cells_mv"][6] == 3356
    assert document["prot"] == 1
    assert (document["chg"], document["dsg"], document["bal"]) == (0, 1, 1)


def test_tern() -> None:
    values: dict[str, Any] = {m.topic: json.loads(m.payload) for m in tern(READING)}
    assert values["skerry/tern/current"] == 55.3
    assert values["skerry/tern/cell/7"] == 3.356
    assert values["skerry/tern/temp/2"] == 20.1
    assert values["skerry/tern/protection"] == ["cell high"]
    assert values["skerry/tern/charge_allowed"] is False
    assert len([topic for topic in values if "/cell/" in topic]) == 16


def test_eider() -> None:
    (message,) = eider(READING)
    document = json.loads(message.payload)
    assert document["dc"] == {"volts": 53.71, "deciamps": 553}
    assert document["cells"][6] == {"no": 7, "volts": 3.356}
    assert document["probes"][0]["kelvin"] == 292.55
    assert document["stops"] == {"cellHigh": True, "cellLow": False}
    assert document["measured_at"] == "2026-06-21T08:20:00+00:00"


@pytest.mark.parametrize(
    ("payload", "limit_a"),
    [(b"42.5", 42.5), (b"0", 0.0), (b"", None), (b"soon", None), (b"-3", None), (b"nan", None)],
)
def test_the_charger_obeys_a_number_after_its_delay_and_nothing_else(
    payload: bytes, limit_a: float | None
) -> None:
    follower = Follower(delay_s=5.0)
    follower.following = True
    follower.hear(160.0, 0.0)
    hear(follower, payload, 10.0)
    assert follower.limit_a(14.0) == 160.0
    assert follower.limit_a(15.0) == limit_a


def test_who_does_not_follow_has_no_limit() -> None:
    follower = Follower()
    follower.hear(20.0, 0.0)
    assert follower.limit_a(100.0) is None
