"""The gate, seen from outside: bad input is counted and noted once, and changes nothing."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.scene import START, Scene, cells, leading, pack, rules_of

RULES = rules_of("""
- {rule: spread, about: pack, when: cell_spread_mv > 40, on_delay: 30 s, priority: high, say: "x"}
- {rule: spread-fine, about: pack, when: cell_spread_mv < 40, priority: journal, say: "x"}
""")
STATE = "hut/alder/state"


def scene() -> Scene:
    hut = Scene(RULES)
    hut.run(minutes=1, alder=pack(cell_v=leading(3.40, by_mv=60)), birch=pack())
    assert hut.raised("spread", "pack/alder")
    hut.engine.take_notes()
    return hut


def late(**more: Any) -> dict[str, Any]:
    """A good and balanced document, which would clear the alarm, but for what is changed."""
    return pack(cell_v=cells(), **more)


@pytest.mark.parametrize(
    ("topic", "payload", "reason"),
    [
        (STATE, b"{", "not JSON: EOF while parsing an object"),
        (STATE, b"\xc3\x28", "not UTF-8"),
        (STATE, b'"' + b"x" * 70_000 + b'"', "larger than 65536 bytes"),
        (STATE, b"[" * 60_000, "nested too deep"),
        (STATE, json.dumps(late()).replace("53.28", "NaN").encode(), "not JSON: expected value"),
        (STATE, late(soc="60"), "soc_pct: text where a number belongs"),
        (STATE, late(mv=[3330] * 15), "cell_v: 15 values for 16 cells"),
        (STATE, late(mv=[3330] * 17), "cell_v: 17 values for 16 cells"),
        (STATE, late(mv=[-3330] + [3330] * 15), "cell_v: outside 0.5 to 5"),
        (STATE, late(mv=[40_000] + [3330] * 15), "cell_v: outside 0.5 to 5"),
        (STATE, late(t=3600), "time before 2020"),
        (STATE, late(t=START + 7200), "time in the future"),
        (STATE, late(t="2026-13-01T00:00:00Z"), "time: not RFC 3339"),
        ("hut/oak/state", late(), "unknown pack"),
        ("hut/alder/cell/17", b"3.3", "cell_v: cell '17' of a pack with 16 cells"),
    ],
)
def test_bad_input_is_said_once_counted_and_changes_nothing(
    topic: str, payload: Any, reason: str
) -> None:
    hut = scene()
    figures, history = hut.figures("pack/alder"), hut.history()
    for _ in range(5):
        hut.feed(topic, payload)
        hut.seconds += 1
    notes = hut.engine.take_notes()
    assert [(n.event, n.fields) for n in notes] == [
        ("bad payload", {"topic": topic, "reason": reason})
    ]
    assert hut.counts()["bad"] == 5
    assert hut.history() == history
    hut.run(seconds=5)
    now = hut.figures("pack/alder")
    about_alder = topic.startswith("hut/alder")
    assert now["telemetry_quality"] == ("bad" if about_alder else "good")
    same = ("cell_spread_mv", "voltage_v", "current_a", "soc_pct", "trips_24h")
    assert [now[n] for n in same] == [figures[n] for n in same]
    # The next good message makes it good again.
    hut.feed(STATE, pack(cell_v=leading(3.40, by_mv=60)))
    assert hut.figures("pack/alder")["telemetry_quality"] == "good"
    # And after ten quiet minutes the same is said again, with the number of those kept back.
    hut.seconds += 700
    hut.feed(topic, payload if reason != "time in the future" else late(t=hut.now + 7200))
    skipped = [n.fields.get("skipped") for n in hut.engine.take_notes() if n.event == "bad payload"]
    assert skipped == [4]


def test_a_retained_message_is_history() -> None:
    hut = Scene(RULES)
    hut.feed(STATE, pack(cell_v=leading(3.40, by_mv=60), ov_mv=3600), retained=True)
    hut.run(seconds=40)
    assert hut.figures("pack/alder")["cell_max_v"] is None
    assert hut.history() == []
    assert hut.counts()["retained"] == 1
    # What a BMS is set to stands until it is changed, however old the message.
    assert hut.figures("pack/alder")["setting_overvoltage_v"] == 3.6


def test_backfilled_late_and_repeated_samples_do_not_count() -> None:
    hut = Scene(RULES)
    hut.seconds = 100.0
    wide = pack(cell_v=leading(3.40, by_mv=60))
    hut.feed(STATE, {**wide, "t": START + 100})
    hut.feed(STATE, {**late(), "t": START + 100})  # the same moment again
    hut.feed(STATE, {**late(), "t": START + 95})  # late
    hut.feed("hut/birch/state", {**wide, "t": START - 3600})  # from before a gap
    assert hut.figures("pack/alder")["cell_spread_mv"] == 60
    assert hut.figures("pack/birch")["cell_spread_mv"] is None
    counts = hut.counts()
    assert (counts["duplicate"], counts["out_of_order"], counts["historical"]) == (1, 1, 1)


def test_a_clock_that_was_set_back_puts_nothing_out_of_order() -> None:
    """The bridge's clock is the same one, and was set with it."""
    hut = Scene(RULES)
    hut.feed(STATE, {**pack(), "t": START})
    hut.seconds = 5.0
    hut.engine.step_clock(-3600.0)
    hut.seconds -= 3600.0
    wide = pack(cell_v=leading(3.40, by_mv=60))
    hut.feed(STATE, {**wide, "t": hut.now})
    assert hut.figures("pack/alder")["cell_spread_mv"] == 60
    # From here on the order counts again.
    hut.feed(STATE, {**pack(), "t": hut.now - 1})
    assert hut.figures("pack/alder")["cell_spread_mv"] == 60
    assert hut.counts()["out_of_order"] == 1


def test_a_clock_that_was_never_set_judges_no_times() -> None:
    hut = Scene(RULES)
    hut.seconds = 86400.0 - START  # the second day of 1970
    wide = pack(cell_v=leading(3.40, by_mv=60))
    hut.feed(STATE, {**wide, "t": START})
    assert hut.figures("pack/alder")["cell_spread_mv"] == 60
    hut.feed(STATE, {**pack(), "t": START - 1})
    assert hut.figures("pack/alder")["cell_spread_mv"] == 60
    assert hut.counts()["out_of_order"] == 1
    # Once it is set, it does.
    hut.engine.step_clock(START - 86400.0)
    hut.seconds = 1.0
    hut.feed(STATE, {**pack(), "t": hut.now + 7200})
    assert hut.counts()["bad"] == 1
    assert hut.figures("pack/alder")["cell_spread_mv"] == 60


def test_age_counts_from_the_measurement_where_it_has_a_time() -> None:
    hut = Scene(RULES)
    hut.feed(STATE, {**pack(), "t": START - 50})
    hut.run(seconds=5)
    assert hut.figures("pack/alder")["cell_max_v"] == 3.33
    hut.run(seconds=6)  # 61 s after it was measured
    assert hut.figures("pack/alder")["cell_max_v"] is None


def test_topics_that_nobody_asked_for_are_counted_and_left() -> None:
    hut = scene()
    hut.feed("elsewhere/alder/state", late())
    hut.feed("hut/alder/state/more", late())
    assert hut.counts()["other_topic"] == 2
    assert hut.engine.take_notes() == []


def test_single_cells_never_give_a_spread_of_two_moments() -> None:
    """The current steps between two bursts; all cells rise by 80 mV, none is ahead."""
    hut = Scene(RULES)
    seen = set()
    for burst, volts in enumerate([3.30, 3.38, 3.30, 3.38, 3.30]):
        for cell in range(1, 17):
            hut.seconds = burst * 10 + cell * 3 / 16
            if burst or cell > 8:  # listening begins in the middle of a burst
                hut.feed(f"hut/alder/cell/{cell}", volts)
                seen.add(hut.figures("pack/alder")["cell_spread_mv"])
    assert seen == {None, 0.0}
    assert hut.history() == [(13.0, "spread-fine/pack/alder", "unacknowledged")]


def test_one_topic_for_packs_of_different_makes() -> None:
    """Birch has no temperature and no SoC: that is said once, and it is not stale for it."""
    hut = Scene(RULES)
    less = {k: v for k, v in pack().items() if k not in ("temps", "soc")}
    hut.run(minutes=5, alder=pack(), birch=less)
    assert hut.figures("pack/birch")["telemetry_quality"] == "good"
    missing = [n.fields["reason"] for n in hut.engine.take_notes() if "never came" in n.event]
    assert missing == ["soc_pct", "temperature_degc"]
    assert hut.retained["watchd/charge-limit/hut"]["limit_a"] == 200
    # What came once must go on to come.
    hut.run(minutes=2, alder={k: v for k, v in pack().items() if k != "soc"}, birch=less)
    assert hut.figures("pack/alder")["telemetry_quality"] == "stale"
    assert hut.figures("pack/alder")["telemetry_overdue"] == "state of charge"


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=5)
        | st.dictionaries(
            st.sampled_from(["volts", "amps_out", "mv", "soc", "temps", "prot", "chg", "t", "x"]),
            inner,
            max_size=8,
        )
    ),
    max_leaves=20,
)
TOPICS = st.sampled_from(
    [
        STATE,
        "hut/birch/state",
        "hut/oak/state",
        "hut/alder/cell/3",
        "hut/alder/cell/99",
        "hut/alder/amps",
        "hut/alder/too-hot",
        "watchd/request",
        "watchd/alarm/spread/pack/alder",
        "watchd/",
        "",
        "hut//state",
        "hut/alder/cell/\x00",
    ]
)


@settings(deadline=None, derandomize=True, max_examples=300)
@given(
    st.lists(
        st.tuples(
            TOPICS,
            st.binary(max_size=200) | JSON.map(lambda v: json.dumps(v).encode()),
            st.booleans(),
        ),
        max_size=10,
    )
)
def test_nothing_that_comes_in_raises_an_exception(
    messages: list[tuple[str, bytes, bool]],
) -> None:
    hut = scene()
    before = hut.history()
    for topic, payload, retained in messages:
        hut.feed(topic, payload, retained=retained, reply_to="a/b", correlation=b"c")
        hut.seconds += 1
    json.dumps(hut.engine.snapshot(), allow_nan=False)
    # Only a whole and plausible measurement could have changed an alarm; none of these has cells.
    cleared = [h for h in hut.history() if h not in before]
    assert not [h for h in cleared if h[2] != "acknowledged"]
