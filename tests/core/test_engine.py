"""The engine: the same messages give the same alarms, at the same times, byte for byte."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.scene import START, Scene, config_of, leading, pack, rules_of
from watchd.engine import Engine
from watchd.loading import load_rules, shipped
from watchd.own_rules import Fault
from watchd.publish import Publish, rfc3339

RULES = rules_of("""
- {rule: spread, about: pack, when: cell_spread_mv > 40, on_delay: 47 s, off_delay: 33 s,
   deadband: {cell_spread_mv: 10}, priority: high, say: "{pack} {cell_spread_mv:.0f} mV"}
- {rule: mean-spread, about: pack, when: 'mean(cell_spread_mv, "3 min") > 30', priority: low,
   say: "{pack}"}
- {rule: trips, about: pack, when: 'count(protection_trip, "10 min") >= 2', priority: high,
   say: "{pack} {trip_events}", charge_limit: 0.05 * nameplate_ah}
- {rule: cell-high, about: cell, when: cell_v > 3.5, on_delay: 10 s, priority: low,
   say: "{pack} cell {cell}"}
- {rule: stale, about: pack, when: telemetry_quality == "stale", on_delay: 30 s, priority: medium,
   say: "{pack} {telemetry_overdue}"}
- {rule: bank-current, about: bank, when: current_a > 30, on_delay: 20 s, priority: low,
   say: "{bank} {current_a:.0f} A"}
""")


def messages(seed: int, count: int = 120) -> list[tuple[float, str, bytes]]:
    """A made-up afternoon: spreads, trips, silences, single cells, nonsense."""
    chance = random.Random(seed)
    at, out = 0.0, []
    spread_mv = 20.0
    for _ in range(count):
        at += chance.choice([1, 5, 5, 5, 12, 12, 90]) + chance.random()
        spread_mv = max(0.0, spread_mv + chance.uniform(-15, 18))
        name = chance.choice(["alder", "birch"])
        document = pack(
            cell_v=leading(3.45, by_mv=round(spread_mv)),
            current_a=chance.uniform(-20, 40),
            protection=chance.choice([0, 0, 0, 1]),
        )
        payload = json.dumps(document).encode() if chance.random() > 0.1 else b"nonsense"
        out.append((at, f"hut/{name}/state", payload))
    return out


def play(
    engine: Engine, story: list[tuple[float, str, bytes]], ticks: list[float]
) -> list[Publish]:
    out = []
    moments: list[tuple[float, str, bytes]] = [*story, *((t, "", b"") for t in ticks)]
    for at, topic, payload in sorted(moments, key=lambda moment: moment[0]):
        out += engine.feed(topic, payload, START + at) if topic else engine.tick(START + at)
    return out


def transitions(engine: Engine) -> list[tuple[float, str, str, str]]:
    return [(t.at, t.key, str(t.state), t.text) for t in engine.take_transitions()]


def test_same_inputs_same_outputs_byte_for_byte() -> None:
    story = messages(1)
    ticks = [float(t) for t in range(0, 1500, 7)]
    first = play(Engine(config_of(), RULES), story, ticks)
    assert first == play(Engine(config_of(), RULES), story, ticks)
    assert len({p.topic for p in first}) > 8  # the story has something to say


@settings(deadline=None, max_examples=25, derandomize=True)
@given(st.integers(0, 1000), st.lists(st.floats(0, 1500), max_size=60))
def test_alarms_do_not_depend_on_when_tick_is_called(seed: int, ticks: list[float]) -> None:
    story = messages(seed)
    end = [story[-1][0] + 300]
    bare, ticked = Engine(config_of(), RULES), Engine(config_of(), RULES)
    # Both begin to watch at the same moment.
    play(bare, story, [0.0, *end])
    play(ticked, story, [0.0, *ticks, *end])
    found = transitions(bare)
    assert found
    assert found == transitions(ticked)


@settings(deadline=None, max_examples=15, derandomize=True)
@given(st.integers(0, 1000), st.integers(1, 119))
def test_an_engine_goes_on_from_its_snapshot(seed: int, cut: int) -> None:
    story = messages(seed)
    whole = Engine(config_of(), RULES)
    play(whole, story[:cut], [])
    transitions(whole)
    state = json.loads(json.dumps(whole.snapshot()))
    resumed = Engine(config_of(), RULES, state=state)
    # A short break only: a longer one counts as not watched, see below.
    resumed.tick(START + story[cut - 1][0])
    play(whole, story[cut:], [story[-1][0] + 300])
    play(resumed, story[cut:], [story[-1][0] + 300])
    expected, found = transitions(whole), transitions(resumed)
    assert [t[1:] for t in sorted(expected)] == [t[1:] for t in sorted(found)]
    for one, other in zip(expected, found, strict=True):
        # What a window forgets is seen when it is next looked at, within ten seconds; a resumed
        # engine looks at once. All else is exact.
        assert one[0] == other[0] or ("mean" in one[1] and abs(one[0] - other[0]) <= 10)
    assert whole.figures() == resumed.figures()


def test_a_snapshot_that_makes_no_sense_is_set_aside_and_said() -> None:
    for state in ({"version": 99}, {"version": 1, "packs": 7}, {"version": 1, "alarms": {"x": 1}}):
        hut = Scene(RULES, state=state)
        hut.run(minutes=1, alder=pack())
        assert hut.figures("pack/alder")["current_a"] == 10
        assert [n.event for n in hut.engine.take_notes()] == ["saved state not used"]


def test_a_pack_that_changed_its_size_starts_anew() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/cell/16", 3.3)
    text = json.dumps(hut.engine.snapshot())
    smaller = config_of().model_copy(
        update={
            "packs": {
                "alder": config_of().packs["alder"].model_copy(update={"cells_in_series": 15})
            }
        }
    )
    again = Scene(RULES, config=smaller, state=json.loads(text))
    again.run(minutes=1, alder=pack(cell_v=[3.4] * 15))
    assert again.figures("pack/alder")["cell_max_v"] == 3.4


def test_time_that_was_not_watched_raises_nothing_and_keeps_the_delays() -> None:
    hut = Scene(RULES)
    spread = pack(cell_v=leading(3.40, by_mv=60))
    hut.run(seconds=40, alder=spread, birch=pack())  # 7 s before the end of the on-delay
    state = json.loads(json.dumps(hut.engine.snapshot()))
    again = Scene(RULES, state=state)
    again.seconds = 9 * 3600.0
    again.run(seconds=5, alder=spread, birch=pack())
    assert again.history() == []
    again.run(seconds=10, alder=spread, birch=pack())
    # 40 s before, 7 s after nine hours of nobody watching; and no stale telemetry in between.
    assert again.history() == [(9 * 3600 + 7, "spread/pack/alder", "unacknowledged")]


def test_telemetry_that_stays_away_after_a_restart_is_stale_from_the_restart_on() -> None:
    hut = Scene(RULES)
    hut.run(seconds=40, alder=pack(), birch=pack())
    again = Scene(RULES, state=json.loads(json.dumps(hut.engine.snapshot())))
    again.seconds = 9 * 3600.0
    again.run(minutes=3, birch=pack())
    assert again.history() == [(9 * 3600 + 90, "stale/pack/alder", "unacknowledged")]


def test_an_edited_rule_starts_anew_and_the_others_keep_their_state() -> None:
    hut = Scene(RULES)
    hut.run(minutes=2, alder=pack(cell_v=leading(3.40, by_mv=60), protection=1))
    assert hut.raised("spread", "pack/alder")
    assert hut.raised("mean-spread", "pack/alder")
    edited = rules_of("""
- {rule: spread, about: pack, when: cell_spread_mv > 40, on_delay: 47 s, off_delay: 33 s,
   deadband: {cell_spread_mv: 10}, priority: low, say: "{pack}: other words"}
- {rule: mean-spread, about: pack, when: 'mean(cell_spread_mv, "3 min") > 90', priority: low,
   say: "{pack}"}
""")
    again = Scene(edited, state=hut.engine.snapshot())
    again.seconds = hut.seconds
    again.run(seconds=1)
    assert again.raised("spread", "pack/alder")
    assert not again.raised("mean-spread", "pack/alder")
    withdrawn = [p.topic for p in again.said if p.retain and not p.payload]
    assert "watchd/alarm/mean-spread/pack/alder" in withdrawn
    assert "watchd/alarm/spread/pack/alder" not in withdrawn
    assert not any(p.topic == "watchd/annunciation" for p in again.said)


def test_time_never_goes_back() -> None:
    hut = Scene(RULES)
    hut.run(minutes=2, alder=pack(cell_v=leading(3.40, by_mv=60)))
    before = hut.history()
    hut.seconds -= 3600
    hut.run(minutes=1, alder=pack(cell_v=leading(3.40, by_mv=60)))
    assert hut.history() == before
    assert hut.figures("pack/alder")["cell_spread_mv"] == 60
    assert hut.engine.snapshot()["at"] == START + 120


def test_what_stands_retained_can_be_said_again_to_a_broker_that_lost_it() -> None:
    hut = Scene(RULES)
    hut.run(minutes=2, alder=pack(cell_v=leading(3.40, by_mv=60)), birch=pack())
    again = {p.topic: json.loads(p.payload) for p in hut.engine.retained() if p.payload}
    assert again.keys() == hut.retained.keys()
    for topic, record in again.items():
        # Figures are renewed on their own rhythm, and the record of the service counts on.
        if "/alarm/" in topic or "/charge-limit/" in topic:
            assert record == hut.retained[topic]


def test_a_farewell_withdraws_advice_and_says_stopped() -> None:
    hut = Scene(RULES)
    hut.run(minutes=1, alder=pack(), birch=pack())
    assert hut.retained["watchd/charge-limit/hut"]["limit_a"] == 200
    for message in hut.engine.farewell(hut.now):
        assert message.retain
        hut.retained[message.topic] = message.payload
    assert hut.retained["watchd/charge-limit/hut"] == b""
    assert hut.retained["watchd/charge-limit/hut/amps"] == b""
    assert json.loads(hut.retained["watchd/service"])["state"] == "stopped"


def test_what_an_earlier_run_left_retained_is_taken_away() -> None:
    hut = Scene(RULES)
    hut.run(seconds=10, alder=pack())
    left = (
        "watchd/alarm/gone-rule/pack/alder",
        "watchd/charge-limit/other/amps",
        "watchd/alarm/spread/pack/alder",
        "watchd/figures/pack/oak",
    )
    for topic in left:
        assert [p.topic for p in hut.feed(topic, {"x": 1}, retained=True)] == [topic]
        assert hut.feed(topic, {"x": 1}) == []  # live, it is our own words coming back
    assert hut.feed("watchd/figures/pack/alder", {"x": 1}, retained=True) == []


def test_broken_rules_raise_an_alarm_of_their_own() -> None:
    hut = Scene(RULES)
    hut.run(seconds=5, alder=pack())
    said = hut.engine.fault(Fault.RULES, "rules/cells.yaml:3:9: unknown name 'cel_v'", hut.now)
    topics = [p.topic for p in said]
    assert topics == ["watchd/alarm/rules-not-loaded/service/watchd", "watchd/annunciation"]
    assert "unknown name 'cel_v'" in json.loads(said[0].payload)["text"]
    again = Scene(RULES, state=json.loads(json.dumps(hut.engine.snapshot())))
    assert not [p for p in again.engine.fault(Fault.RULES, None, hut.now) if p.topic == topics[1]]
    state = next(a.state for a in again.engine.alarms() if a.rule.name == "rules-not-loaded")
    assert state == "returned_unacknowledged"


def test_a_pack_out_of_service_is_not_waited_for() -> None:
    out = config_of().packs["birch"].model_copy(update={"in_service": False})
    config = config_of().model_copy(update={"packs": {**config_of().packs, "birch": out}})
    hut = Scene(load_rules(shipped("rules")), config=config)
    hut.run(minutes=5, alder=pack(), birch=pack())
    assert "pack/birch" not in hut.engine.figures()
    assert hut.retained["watchd/charge-limit/hut"]["limit_a"] == 100
    assert hut.history() == []


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 56 * 365.25 * 86400, -86400.0])
def test_a_clock_that_is_set_raises_nothing_and_holds_nothing_up(step_s: float) -> None:
    """An hour either way, and a start in 1970 before the time is known."""
    hut = Scene(RULES)
    spread = pack(cell_v=leading(3.40, by_mv=60))
    hut.run(seconds=40, alder=spread, birch=pack())
    hut.engine.step_clock(step_s)
    hut.seconds += step_s
    hut.run(seconds=5, alder=spread, birch=pack())
    assert hut.history() == []
    hut.run(seconds=5, alder=spread, birch=pack())
    # The delay goes on where it was, and what is said is in the new reckoning.
    assert [(t.key, t.state) for t in hut.transitions] == [("spread/pack/alder", "unacknowledged")]
    record = hut.retained["watchd/alarm/spread/pack/alder"]
    assert record["since"] == rfc3339(START + 47 + step_s)
    # And what falls silent now goes stale in its time.
    hut.run(minutes=3, birch=pack())
    assert hut.raised("stale", "pack/alder")
    assert not hut.raised("stale", "pack/birch")


def test_times_of_measurement_are_held_against_the_clock_as_it_was_set() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", {**pack(current_a=1), "t": START + 3600})
    assert hut.figures("pack/alder")["current_a"] is None  # ours is an hour behind
    hut.engine.step_clock(3600)
    hut.seconds = 3605
    hut.feed("hut/alder/state", {**pack(current_a=2), "t": START + 3603})
    assert hut.figures("pack/alder")["current_a"] == 2
    assert hut.figures("pack/alder")["telemetry_age_s"] == 2


def test_a_restart_with_a_clock_behind_the_saved_state_goes_on_from_the_state() -> None:
    hut = Scene(RULES)
    spread = pack(cell_v=leading(3.40, by_mv=60))
    hut.run(seconds=40, alder=spread, birch=pack())
    again = Scene(RULES, state=json.loads(json.dumps(hut.engine.snapshot())))
    again.seconds = -START + 100  # 1970: there is no battery to keep the clock
    again.run(seconds=10, alder=spread, birch=pack())
    assert again.raised("spread", "pack/alder")
    again.engine.step_clock(START)
    again.seconds += START
    again.run(seconds=60, alder=spread, birch=pack())
    # What the windows had seen before counts as well; and nothing went stale by it.
    assert [t.key for t in again.transitions] == ["spread/pack/alder", "mean-spread/pack/alder"]


def test_a_gap_of_years_costs_no_more_than_days() -> None:
    hut = Scene(RULES)
    hut.run(minutes=1, alder=pack(), birch=pack())
    hut.seconds += 20 * 365 * 86400
    said = hut.feed("hut/alder/state", pack(current_a=3))
    assert len(said) < 20_000
    assert hut.figures("pack/alder")["current_a"] == 3
    assert [h[1:] for h in hut.history()[:2]] == [
        ("stale/pack/alder", "unacknowledged"),
        ("stale/pack/birch", "unacknowledged"),
    ]


def test_samples_are_told_to_a_history_that_asks() -> None:
    quiet = Scene(RULES)
    quiet.run(seconds=3, alder=pack())
    assert quiet.engine.take_samples() == []
    hut = Scene(RULES, tells_samples=True)
    hut.run(seconds=3, alder=pack(cell_v=leading(3.31, by_mv=40)))
    told = hut.engine.take_samples()
    assert {m.pack for m in told} == {"alder"}
    assert told[-1].sample.cell_v == tuple(leading(3.31, by_mv=40))
    assert hut.engine.take_samples() == []
    hut.engine.step_clock(3600.0)
    hut.seconds += 3600.0
    hut.run(seconds=1, alder=pack())
    assert hut.engine.take_samples()[0].at - told[-1].at > 3600.0


def test_each_fault_of_its_own_files_has_an_alarm() -> None:
    hut = Scene(RULES)
    hut.run(seconds=5, alder=pack())
    for what in Fault:
        said = hut.engine.fault(what, "a mistake", hut.now)
        assert said[-1].topic == "watchd/annunciation"
        assert "a mistake" in json.loads(said[-1].payload)["text"]
        hut.engine.fault(what, None, hut.now)
    states = {a.rule.name: str(a.state) for a in hut.engine.alarms()}
    assert states["store-set-aside"] == "latched_unacknowledged"
    assert states["store-not-written"] == "returned_unacknowledged"


def test_a_snapshot_stays_as_it_was_taken() -> None:
    # A thread writes it while the engine goes on.
    hut = Scene(load_rules(shipped("rules")))
    documents = [
        pack(cell_v=leading(volts, by_mv=60), current_a=amps)
        for volts, amps in ((3.30, -30.0), (3.36, 40.0), (3.48, 5.0), (3.34, 0.0))
    ]
    for document in documents:
        hut.run(minutes=10, every=10, alder=document, birch=pack())
    taken = hut.engine.snapshot()
    before = json.dumps(taken)
    for document in documents:
        hut.run(minutes=10, every=10, alder=document, birch=pack())
    assert json.dumps(taken) == before
    assert json.dumps(hut.engine.snapshot()) != before
