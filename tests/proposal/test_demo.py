"""The demo's three bridges, none of which has the layout of another."""

from __future__ import annotations

import pytest

from demo.skerry.simulation import Simulation
from demo.skerry.story import DAY
from watchd.config import parse_config
from watchd.documents import parse_document
from watchd.engine import Engine
from watchd.proposal.config_text import Around, config_text
from watchd.proposal.guess import Certainty
from watchd.proposal.overheard import Overheard
from watchd.proposal.propose import propose


def test_a_minute_of_its_morning() -> None:
    day = Simulation(DAY, 1)
    overheard = Overheard()
    messages = []
    while day.now < day.start + 60:
        messages += [(m.topic, m.payload, day.now) for m in day.step()]
    for topic, payload, at in messages:
        overheard.take(topic, payload, at)
    proposal = propose(overheard)
    config = parse_config(parse_document(config_text(proposal, Around()), "config.yaml"))
    assert set(config.packs) == {"auk", "eider", "tern"}
    engine = Engine(config, ())
    for topic, payload, at in messages:
        engine.feed(topic, payload, at)
    for pack in day.bank.packs:
        truth, found = pack.read(day.now), engine.figures()[f"pack/{pack.name}"]
        assert truth.current_a > 5
        assert found["voltage_v"] == pytest.approx(truth.voltage_v, abs=0.1)
        assert found["current_a"] == pytest.approx(truth.current_a, abs=1.5)
        assert found["soc_pct"] == pytest.approx(truth.soc_pct, abs=1)
        assert found["temperature_min_degc"] == pytest.approx(min(truth.temperatures_degc), abs=0.3)
        assert found["charge_allowed"] is True
        assert found["discharge_allowed"] is True
    by_pack = {x.packs[0].name: {m.name: m for m in x.mapped} for x in proposal.layouts}
    # Steady sun shows no sign; auk's is in its name, and the others charge beside it.
    for name in ("eider", "tern"):
        assert "by auk, which charges on the same bus" in by_pack[name]["current_a"].reason
        assert by_pack[name]["current_a"].certainty is Certainty.LIKELY
    assert by_pack["eider"]["protection"].words == {
        "cellHigh": "OVER_VOLT",
        "cellLow": "UNDER_VOLT",
    }
    assert not any("charger" in s.topic for x in proposal.layouts for s in x.sources)
