"""A new engine in the place of an old one: what goes on, and what is withdrawn."""

from __future__ import annotations

from typing import Any

from tests.scene import CONFIG, START, Scene, config_of, leading, pack, rules_of
from tests.service.hut import RULES
from watchd.engine import Engine
from watchd.own_rules import Fault
from watchd.shell.drive import Drive
from watchd.shell.reload import Succession, succeed
from watchd.shell.spool import Spool

HIGH = pack(cell_v=leading(3.42, by_mv=60))


def watched() -> Scene:
    """Both packs have a cell that is high."""
    hut = Scene(rules_of(RULES))
    hut.run(minutes=1, alder=HIGH, birch=HIGH)
    return hut


def driven(hut: Scene) -> Drive:
    """A drive whose engine is where the hut's is."""
    drive = Drive(hut.config, rules_of(RULES), Spool(None))
    drive.engine = hut.engine
    return drive


def changed(hut: Scene, config: str = CONFIG, rules: str = RULES) -> tuple[Engine, Succession]:
    drive = driven(hut)
    at = hut.engine.snapshot()["at"]
    new = succeed(drive, config_of(config), rules_of(rules), at)
    return drive.engine, new


def topics(messages: list[Any]) -> set[str]:
    return {m.topic for m in messages}


def test_nothing_is_withdrawn_where_nothing_changed() -> None:
    engine, new = changed(watched())
    assert new.gone == []
    assert not engine.take_transitions()


def test_a_pack_that_is_gone_leaves_nothing() -> None:
    line = "  birch: {bank: hut, nameplate_ah: 200, max_charge_a: 100}\n"
    _, new = changed(watched(), CONFIG.replace(line, ""))
    assert topics(new.gone) == {
        "watchd/alarm/cell-high/pack/birch",
        "watchd/figures/pack/birch",
    }
    assert all(m.retain and m.payload == b"" for m in new.gone)


def test_another_prefix_takes_all_of_the_old_one_away() -> None:
    engine, new = changed(watched(), "prefix: shed\n" + CONFIG)
    assert {t.split("/")[0] for t in topics(new.gone)} == {"watchd"}
    assert topics(new.gone) == topics(new.farewell)
    # The newest annunciation is the links' own.
    standing = {"newest-annunciation"} | {
        m.topic.removeprefix("shed/") for m in engine.retained() if m.payload
    }
    assert {t.removeprefix("watchd/") for t in topics(new.gone)} == standing


def test_a_rule_that_is_gone_leaves_no_record() -> None:
    _, new = changed(watched(), rules=RULES.replace("cell-high", "cell-other"))
    assert topics(new.gone) == {f"watchd/alarm/cell-high/pack/{n}" for n in ("alder", "birch")}


def test_a_fault_goes_on_and_is_not_told_again() -> None:
    hut = watched()
    at = hut.engine.snapshot()["at"]
    hut.engine.fault(Fault.CONFIG, "config.yaml:3: what", at)
    hut.engine.take_transitions()
    engine, _ = changed(hut)
    assert not engine.take_transitions()
    raised = {a.rule.name for a in engine.alarms() if a.is_raised}
    assert "config-not-loaded" in raised
    engine.fault(Fault.CONFIG, None, at)
    (back,) = engine.take_transitions()
    assert back.rule.name == "config-not-loaded"
    assert not any(a.is_raised for a in engine.alarms() if a.rule.name == back.rule.name)


def test_an_engine_that_has_not_begun_has_nothing_to_leave() -> None:
    hut = Scene(rules_of(RULES))
    new = succeed(driven(hut), config_of(CONFIG), rules_of(RULES), START)
    assert new.gone == []
