"""The line-up of a pack: what is left out changes nothing, and what raises begins anew."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.estimators.moment import setting
from tests.scene import Scene, pack, rules_of
from tests.truth import Watched, healthy, simulate
from tests.truth.watched import setting as setting_of
from watchd.estimators import ESTIMATORS
from watchd.estimators.estimator import Bus, Setting
from watchd.estimators.lineup import Lineup
from watchd.estimators.quality.frozen import Frozen
from watchd.figures import Figures
from watchd.settings import pack_settings
from watchd.telemetry.sample import Sample

RULES = rules_of("""
- {rule: high, about: pack, when: soc_pct > 104, priority: high, say: "{pack}"}
- {rule: cells, about: cell, when: cell_v > 3.9, priority: high, say: "{pack} {cell}"}
""")
RECORD = simulate(healthy(1, [280.0], first_seed=3), 1)


class Keeper:
    """An estimator that keeps the samples."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del setting, saved
        self.samples: list[tuple[Sample, Figures]] = []

    def snapshot(self) -> dict[str, Any]:
        return {}

    def update(self, sample: Sample, figures: Figures) -> None:
        kept = ("temperature_min_degc", "temperature_max_degc")
        self.samples.append((sample, {name: figures[name] for name in kept}))


def samples() -> Iterator[tuple[Sample, Figures]]:
    """Of one pack over a solar day, with what its watch writes of the sample by itself."""
    watched = Watched(RECORD, 0, (*ESTIMATORS, Keeper))
    for _ in watched.run():
        pass
    keeper = watched._estimators[0][-1]
    assert isinstance(keeper, Keeper)
    yield from keeper.samples


def test_what_is_left_out_between_the_ends_changes_nothing() -> None:
    """Each figure, at each sample, and all that is saved, as if none were left out."""
    mine, theirs = (setting_of(RECORD, 0, 0, Bus()) for _ in range(2))
    lineup, all_of_them = Lineup(mine, {}), [made(theirs) for made in ESTIMATORS]
    one: Figures = dict(pack_settings(mine.pack, mine.bank))
    other: Figures = dict(pack_settings(theirs.pack, theirs.bank))
    left_out = 0
    for seen, told in samples():
        for figures in (one, other):
            figures.update(told)
            figures["voltage_v"], figures["current_a"] = seen.voltage_v, seen.current_a
            figures["soc_pct"], figures["setting_overvoltage_v"] = seen.soc_pct, None
        lineup.update(seen, one)
        for estimator in all_of_them:
            estimator.update(seen, other)
        left_out += lineup._was_between
        assert one == other
    assert left_out > 1000
    saved = {type(e).__name__: e.snapshot() for e in all_of_them}
    assert json.dumps(lineup.snapshot()) == json.dumps(saved)


def state_with(name: str, **values: Any) -> Any:
    scene = Scene(RULES)
    scene.run(minutes=1, alder=pack(), birch=pack())
    state = json.loads(json.dumps(scene.engine.snapshot()))
    state["packs"]["alder"]["estimators"][name].update(values)
    return state


def test_an_estimator_that_raises_begins_from_nothing_and_the_log_says_so() -> None:
    """By a text where a number belongs, which is found only when it is used."""
    late = Scene(RULES, state=state_with("Frozen", set=[0.0, "x"]))
    late.seconds = 70
    late.run(seconds=30, alder=pack(cell_v=[3.3, *[3.31] * 15]), birch=pack())
    notes = [n for n in late.engine.take_notes() if n.event == "estimator begun anew"]
    assert [n.fields["topic"] for n in notes] == ["pack/alder"], "once"
    assert notes[0].fields["reason"].startswith("Frozen: TypeError")
    assert late.engine.figures()["pack/alder"]["telemetry_frozen"] is False
    json.dumps(late.engine.snapshot())


def test_one_that_raises_from_nothing_too_still_raises(monkeypatch: pytest.MonkeyPatch) -> None:
    lineup = Lineup(setting(), {})
    seen, told = next(samples())

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(Frozen, "update", broken)
    figures = {**told, "voltage_v": seen.voltage_v, "current_a": seen.current_a}
    before = lineup.snapshot()
    with pytest.raises(ZeroDivisionError):
        lineup.update(seen, figures)
    # It may go on like that for days: nothing is forgotten for it, and nothing heaps up.
    assert lineup.begun_anew == []
    assert lineup.snapshot()["Frozen"] == before["Frozen"]
