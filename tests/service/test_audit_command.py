"""`watchd audit --live`, of a daemon that runs: what the BMSs report counts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml

from tests.scene import cells, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge
from tests.service.commandline import process
from tests.service.daemon import Start
from tests.service.hut import write_config
from tests.service.patience import until

pytestmark = pytest.mark.broker

SOURCES = yaml.safe_load("""
- topic: hut/{pack}/state
  json:
    voltage_v: $.volts
    cell_v: {path: "$.mv[*]", scale: 0.001}
    setting.overvoltage_v: {path: $.ov_mv, scale: 0.001}
""")


def test_a_threshold_that_is_not_that_of_the_config(
    broker: BrokerProcess, tmp_path: Path, watchd: Start
) -> None:
    config = write_config(tmp_path, broker.port, sources=SOURCES)
    watchd(config).works()
    assert process("audit", "--config", config).code == 0
    with Bridge(broker.port) as bridge:
        bridge.says(alder=pack(cell_v=cells(), ov_mv=3520))
        until(
            lambda: process("audit", "--config", config, "--live").code == 1,
            "the audit sees what the BMS reports",
        )
    told = process("audit", "--config", config, "--live", "--pack", "alder", "--json")
    data = json.loads(told.out)
    assert data["live"] is True
    (line,) = [x for x in data["sheets"][0]["settings"] if x["setting"] == "bms.overvoltage_v"]
    assert (line["value"], line["origin"]) == (3.52, "telemetry")
    text = process("audit", "--config", config, "--live").out
    assert text.startswith("As a running watchd has it, with what the BMSs report.\n")
    assert "fault: charge-reaches-overvoltage" in text
    refused = process("audit", "--config", config, "--live", "--pack", "aldr")
    assert (refused.code, refused.out) == (2, "")
    assert refused.err == "no pack in service is called 'aldr'; did you mean 'alder'?\n"


def test_nobody_answers(broker: BrokerProcess, tmp_path: Path) -> None:
    config = write_config(tmp_path, broker.port)
    told = process("audit", "--config", config, "--live")
    assert (told.code, told.out) == (2, "")
    assert "watchd does not answer on watchd/request within 5 s" in told.err
