"""Any layout: a minute of it -> proposal -> config -> the figures that are true."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pytest

from tests.proposal.layouts import LAYOUTS, Layout, Messages, house
from tests.proposal.minute import LEADING, Truth, minute
from watchd.config import Config, parse_config
from watchd.documents import parse_document
from watchd.engine import Engine
from watchd.proposal.config_text import Around, config_text, to_enter
from watchd.proposal.guess import Certainty
from watchd.proposal.mapped import Proposal
from watchd.proposal.overheard import Overheard
from watchd.proposal.propose import propose


def recorded(layout: Layout) -> list[tuple[float, str, bytes]]:
    return list(layout.messages())


def proposed(messages: Sequence[tuple[float, str, bytes]]) -> Proposal:
    overheard = Overheard()
    for at, topic, payload in messages:
        overheard.take(topic, payload, at)
    return propose(overheard)


def loaded(proposal: Proposal) -> Config:
    return parse_config(parse_document(config_text(proposal, Around()), "config.yaml"))


def figures(config: Config, messages: Sequence[tuple[float, str, bytes]]) -> dict[str, Any]:
    engine = Engine(config, ())
    for at, topic, payload in messages:
        engine.feed(topic, payload, at)
    refused = [n for n in engine.take_notes() if n.event != "mapped, but never came"]
    assert not refused, refused
    return dict(engine.figures())


def last(layout: Layout) -> dict[str, Truth]:
    return {t.name: t for t in minute(layout.packs, layout.cells)}


@pytest.mark.parametrize("name", LAYOUTS)
def test_what_is_proposed_gives_the_figures_that_are_true(name: str) -> None:
    layout = LAYOUTS[name]
    messages = recorded(layout)
    proposal = proposed(messages)
    config = loaded(proposal)
    ours = {theirs: layout.ours.get(theirs, theirs) for theirs in layout.packs}
    assert set(config.packs) == set(ours.values())
    assert {p.cells_in_series for p in config.packs.values()} == {layout.cells}
    assert len(config.banks) == 1
    found = figures(config, messages)
    for theirs, truth in last(layout).items():
        pack = found[f"pack/{ours[theirs]}"]
        assert pack["voltage_v"] == pytest.approx(truth.voltage_v, abs=0.02)
        assert pack["current_a"] == pytest.approx(truth.current_a, abs=layout.within_a)
        assert pack["soc_pct"] == pytest.approx(truth.soc_pct, abs=0.6)
        assert pack["cell_max_v"] == pytest.approx(max(truth.cell_v), abs=0.001)
        assert pack["cell_min_v"] == pytest.approx(min(truth.cell_v), abs=0.001)
        assert pack["cell_max_no"] == LEADING
        assert truth.degc[0] - 0.1 <= pack["temperature_min_degc"] <= truth.degc[1] + 0.1
    (current,) = [m for x in proposal.layouts for m in x.mapped if m.name == "current_a"]
    # From how the packs behave, not from a name alone.
    assert "mV with each A more" in current.reason
    assert current.certainty is not Certainty.NOT_SURE


def test_what_a_house_has_beside_it_is_no_pack() -> None:
    messages = [
        (t.at, topic, json.dumps(value).encode())
        for t in minute(["x"])
        for topic, value in house(t)
    ]
    assert proposed(messages).packs == ()


def test_what_each_cell_says_is_nothing_of_the_pack() -> None:
    (layout,) = proposed(recorded(LAYOUTS["nested document"])).layouts
    assert "balancing" not in {m.name for m in layout.mapped}
    assert [u.where for u in layout.unused] == ["hut/{pack}/bms $.cells.balance[N]"]


def test_two_banks_of_topics() -> None:
    def sends(t: Truth) -> Messages:
        return [(f"{t.name}/state", {"volts": t.voltage_v, "amps": t.current_a, "mv": t.mv()})]

    layout = Layout(sends, ("hut/alder", "hut/birch", "mill/rowan", "mill/elm"))
    config = loaded(proposed(recorded(layout)))
    assert {n: p.bank for n, p in config.packs.items()} == {
        "alder": "hut",
        "birch": "hut",
        "rowan": "mill",
        "elm": "mill",
    }


def test_packs_with_another_number_of_cells_are_another_bank() -> None:
    messages = recorded(LAYOUTS["a single pack"])
    small = Layout(LAYOUTS["nested document"].sends, ("boat",), 8)
    config = loaded(proposed(sorted([*messages, *recorded(small)])))
    assert {p.cells_in_series for p in config.packs.values()} == {8, 16}
    assert len(config.banks) == 2
    assert {b.charge_voltage_v for b in config.banks.values()} == {28.0, 56.0}


def test_what_cannot_be_seen_is_marked() -> None:
    proposal = proposed(recorded(LAYOUTS["nested document"]))
    text = config_text(proposal, Around())
    fields = [line.partition(":")[0] for _, line in to_enter(text)]
    assert fields == ["charge_voltage_v", *2 * ["nameplate_ah", "max_charge_a", "bms"]]
    for number, line in to_enter(text):
        assert text.splitlines()[number - 1].strip() == line
    # So low that nothing is suggested by it, and that it cannot be overlooked.
    assert {p.max_charge_a for p in loaded(proposal).packs.values()} == {1.0}
    entered = text.replace(" # ENTER", " #")
    assert to_enter(entered) == []


def test_every_guess_has_a_reason_with_what_was_seen() -> None:
    for name in ("nested document", "a topic each", "kelvin, part of 1", "a whole house"):
        for found in proposed(recorded(LAYOUTS[name])).layouts:
            for mapped in found.mapped:
                assert mapped.reason
                if mapped.name in ("voltage_v", "current_a", "soc_pct", "cell_v"):
                    assert any(c.isdecimal() for c in mapped.reason), mapped
