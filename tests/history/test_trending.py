"""What the engine tells of its figures: trends, full charges, days; the same after a restart."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from typing import Any

import pytest

from tests.history.measurements import MIDNIGHT
from tests.scene import CONFIG, START, Scene, cells, config_of, leading, pack
from watchd.history.recorder import DAY_S
from watchd.history.trending import Look
from watchd.history.trends import BANK_TRENDS, EVERY_S, PACK_TRENDS, FullCharge, PackDay, Trend

RESTING = pack(cell_v=cells(3.33), current_a=-5, soc_pct=60)
TO_MIDNIGHT_S = MIDNIGHT - START


def watched(seconds: float = 0.0, text: str = CONFIG) -> Scene:
    hut = Scene(config=config_of(text), tells_trends=True)
    hut.seconds = seconds
    return hut


def trends(looks: Sequence[Look], subject: str) -> list[Trend]:
    return [k.trend for k in looks if k.trend is not None and k.subject == subject]


def days(looks: Sequence[Look], subject: str = "pack/alder") -> list[PackDay]:
    return [k.day for k in looks if k.day is not None and k.subject == subject]


def fulls(looks: Sequence[Look], subject: str = "pack/alder") -> list[FullCharge]:
    return [k.full for k in looks if k.full is not None and k.subject == subject]


def test_who_does_not_ask_is_told_nothing() -> None:
    hut = Scene()
    hut.run(minutes=10, alder=RESTING)
    assert hut.engine.take_trends() == []
    assert list(hut.engine.pack_days()) == []
    assert "trends" not in hut.engine.snapshot()


def test_a_trend_of_each_in_service_where_the_clock_shows_five_minutes() -> None:
    hut = watched(text=CONFIG.replace("  birch: {", "  birch: {in_service: false, "))
    hut.run(minutes=31, every=7, alder=RESTING)
    looks = hut.engine.take_trends()
    assert {k.subject for k in looks} == {"pack/alder", "bank/hut"}
    for subject in ("pack/alder", "bank/hut"):
        found = [t.at for t in trends(looks, subject)]
        slots = [int(at // EVERY_S) for at in found]
        assert slots == list(range(slots[0], slots[0] + len(slots)))
        assert len(slots) == 7
        assert all(at % EVERY_S < 10 for at in found[1:])
    assert hut.engine.take_trends() == []


def test_a_trend_has_what_is_known() -> None:
    hut = watched()
    hut.run(minutes=6, alder={**RESTING, "mv": None})
    first, last = trends(hut.engine.take_trends(), "pack/alder")
    assert dict(last.figures) == {
        "current_a": -5.0,
        "soc_pct": 60.0,
        "temperature_max_degc": 16.0,
        "charge_state": "DISCHARGING",
    }
    assert set(first.figures) <= set(PACK_TRENDS)


def test_a_trend_of_a_bank_has_its_advice() -> None:
    hut = watched()
    hut.run(minutes=11, alder=RESTING, birch=RESTING)
    found = trends(hut.engine.take_trends(), "bank/hut")[-1]
    assert set(found.figures) <= set(BANK_TRENDS)
    assert found.figures["current_a"] == -10.0
    assert found.figures["charge_limit_a"] > 0  # type: ignore[operator]


def test_a_pack_that_is_silent_has_no_trends() -> None:
    hut = watched()
    hut.run(minutes=10, alder=RESTING)
    hut.run(minutes=60, birch=RESTING)
    found = [t.at for t in trends(hut.engine.take_trends(), "pack/alder")]
    assert START <= found[-1] < START + 15 * 60


@pytest.mark.parametrize("step_s", [-7200.0, 7200.0, -DAY_S, DAY_S, 120.0])
def test_a_clock_that_is_set_is_followed(step_s: float) -> None:
    hut = watched()
    hut.run(minutes=20, alder=RESTING)
    hut.engine.take_trends()
    hut.engine.step_clock(step_s)
    # The shell's time is the system's from then on.
    hut.seconds += step_s
    hut.run(minutes=20, alder=RESTING)
    looks = hut.engine.take_trends()
    found = [t.at for t in trends(looks, "pack/alder")]
    assert all(START + 1200 + step_s <= at <= START + 2400 + step_s for at in found)
    slots = [int(at // EVERY_S) for at in found]
    assert slots == list(range(slots[0], slots[0] + len(slots)))
    assert len(slots) in (4, 5)
    assert [d.at for d in days(looks)] == ([MIDNIGHT - DAY_S] if abs(step_s) == DAY_S else [])


def test_a_day_is_told_when_it_has_ended_as_it_was_then() -> None:
    hut = watched(TO_MIDNIGHT_S - 600)
    hut.run(seconds=597, every=3, alder=pack(soc_pct=41), birch=pack(soc_pct=50))
    assert days(hut.engine.take_trends()) == []
    hut.run(seconds=3, every=3, alder=pack(soc_pct=41), birch=pack(soc_pct=50))
    hut.run(seconds=60, every=3, alder=pack(soc_pct=77), birch=pack(soc_pct=50))
    looks = hut.engine.take_trends()
    (day,) = days(looks)
    assert day.at == MIDNIGHT - DAY_S
    assert day.figures["soc_pct"] == 41
    assert "soc_estimate_pct" in day.figures, "what is not known is there as well"
    assert day.full_charges == ()
    assert [d.figures["soc_pct"] for d in days(looks, "pack/birch")] == [50]
    today = next(k.day for k in hut.engine.pack_days() if k.subject == "pack/alder")
    assert today is not None
    assert (today.at, today.figures["soc_pct"]) == (MIDNIGHT, 77)


def test_a_day_that_ended_while_nothing_was_watched_is_as_it_was_before() -> None:
    hut = watched(TO_MIDNIGHT_S - 600)
    hut.run(minutes=5, alder=RESTING)
    again = Scene(state=through_json(hut.engine.snapshot()), tells_trends=True)
    again.seconds = TO_MIDNIGHT_S + 3600
    again.run(minutes=5, alder=RESTING)
    assert days(again.engine.take_trends()) == [], "what is known then is nothing of that day"
    quick = Scene(state=through_json(hut.engine.snapshot()), tells_trends=True)
    quick.seconds = hut.seconds + 10
    quick.run(minutes=10, alder=RESTING)
    assert [d.at for d in days(quick.engine.take_trends())] == [MIDNIGHT - DAY_S]


# --- full charges ---


def charge(hut: Scene, *, soc_pct: float, ends_at_pct: float, by_mv: float = 40.0) -> None:
    """An hour up to the charge voltage, then ten minutes of tail in which the BMS sets itself."""
    hut.run(minutes=60, every=10, alder=pack(cell_v=cells(3.4), current_a=20, soc_pct=soc_pct))
    top = leading(3.5, by_mv=by_mv)
    hut.run(minutes=2, every=10, alder=pack(cell_v=top, current_a=2, soc_pct=soc_pct))
    hut.run(minutes=8, every=10, alder=pack(cell_v=top, current_a=2, soc_pct=ends_at_pct))


def test_a_full_charge_tells_the_cells_and_what_the_bms_showed_before_it_set_itself() -> None:
    hut = watched()
    charge(hut, soc_pct=82, ends_at_pct=100)
    found = fulls(hut.engine.take_trends())
    at = found[-1].at
    assert {f.at for f in found} == {at}
    assert START + 60 * 60 + 300 <= at <= START + 60 * 60 + 330, "full_hold after the voltage"
    assert found[-1].soc_pct == 82
    assert found[-1].spread_at_full_mv == pytest.approx(40, abs=0.1)
    deviation = found[-1].cell_deviation_mv
    assert deviation is not None
    assert deviation[6] == pytest.approx(37.5, abs=0.1)
    assert deviation[0] == pytest.approx(-2.5, abs=0.1)
    assert sum(deviation) == pytest.approx(0, abs=0.01)


def test_the_error_is_against_watchds_own_count() -> None:
    hut = watched()
    charge(hut, soc_pct=82, ends_at_pct=100)
    # 20 Ah out, which the BMS does not see.
    hut.run(minutes=60, every=10, alder=pack(cell_v=cells(3.3), current_a=-20, soc_pct=100))
    charge(hut, soc_pct=84, ends_at_pct=100)
    found = fulls(hut.engine.take_trends())
    first, second = found[0], found[-1]
    assert first.soc_error_pct is None, "nothing to count from"
    assert second.at - first.at > 3600
    estimate = second.soc_pct - second.soc_error_pct  # type: ignore[operator]
    assert 99 <= estimate <= 102
    assert second.soc_pct == 84


def test_the_cells_are_told_again_while_it_stays_full() -> None:
    hut = watched()
    charge(hut, soc_pct=82, ends_at_pct=100, by_mv=40)
    hut.run(minutes=30, every=10, alder=pack(cell_v=leading(3.5, by_mv=80), current_a=2))
    found = fulls(hut.engine.take_trends())
    assert len({f.at for f in found}) == 1
    assert found[-1].spread_at_full_mv == pytest.approx(80, abs=1)
    assert found[-1].cell_deviation_mv is not None
    assert found[-1].cell_deviation_mv[6] == pytest.approx(75, abs=1)
    assert found[-1].soc_pct == 82
    hut.run(minutes=30, every=10, alder=pack(cell_v=cells(3.3), current_a=-20))
    (last,) = fulls(hut.engine.take_trends())
    assert last.at == found[-1].at
    assert last.spread_at_full_mv == pytest.approx(80, abs=0.2)
    hut.run(minutes=30, every=10, alder=pack(cell_v=cells(3.3), current_a=-20))
    assert fulls(hut.engine.take_trends()) == [], "there is nothing new to tell"


def test_what_the_bms_showed_long_before_is_not_what_it_showed_before() -> None:
    hut = watched()
    hut.run(minutes=60, every=10, alder=pack(cell_v=cells(3.4), current_a=20, soc_pct=82))
    top = {**pack(cell_v=cells(3.5), current_a=2), "soc": None}
    hut.run(minutes=20, every=10, alder=top)
    (full, *_) = fulls(hut.engine.take_trends())
    assert full.soc_pct is None
    assert full.soc_error_pct is None


# --- a restart ---


def through_json(state: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(json.dumps(state))
    return found


def stretch(number: int) -> dict[str, Any]:
    """A day in stretches of three minutes, of which some are full; invented."""
    phase = number % 12
    if phase < 4:
        return pack(cell_v=cells(3.35), current_a=25, soc_pct=70 + 2.0 * phase)
    if phase < 8:
        return pack(cell_v=leading(3.5, by_mv=5.0 * number), current_a=2, soc_pct=100)
    return pack(cell_v=cells(3.3), current_a=-40, soc_pct=95 - 3.0 * phase)


def told(restarts: Collection[int] = ()) -> list[Look]:
    """Over midnight; some of the starts are just after the clock shows another five minutes."""
    hut = watched(TO_MIDNIGHT_S - 36 * 60 + 2)
    looks: list[Look] = []
    for number in range(22):
        if number in restarts:
            looks += hut.engine.take_trends()
            state, seconds = through_json(hut.engine.snapshot()), hut.seconds
            hut = Scene(state=state, tells_trends=True)
            hut.seconds = seconds
        hut.run(minutes=3, every=7, alder=stretch(number), birch=RESTING)
    return looks + hut.engine.take_trends()


def moments(look: Look) -> tuple[object, ...]:
    """What no running mean is in."""
    trend, day, full = look.trend, look.day, look.full
    return (
        look.subject,
        trend and (trend.at, trend.figures.get("current_a"), trend.figures.get("cell_spread_mv")),
        day and (day.at, day.figures["soc_pct"], day.figures["full_count"]),
        full and (full.at, full.soc_pct),
    )


def test_restarted_anywhere_it_tells_the_same() -> None:
    whole = told()
    assert len({f.at for f in fulls(whole)}) == 2
    assert len(days(whole)) == 1
    for first in (4, 5, 6, 8):
        found = told(range(first, 22, 5))
        assert list(map(moments, found)) == list(map(moments, whole))
        # At a start each is looked at once more: running means take that in.
        for one, other in zip(fulls(found), fulls(whole), strict=True):
            assert one.cell_deviation_mv == pytest.approx(other.cell_deviation_mv, abs=0.5)
            assert one.spread_at_full_mv == pytest.approx(other.spread_at_full_mv, abs=0.5)


def test_what_a_start_looks_at_is_told_by_the_next_look() -> None:
    hut = watched(TO_MIDNIGHT_S - 302)
    hut.run(seconds=5, every=7, alder=RESTING)
    assert hut.engine.take_trends()
    again = Scene(state=through_json(hut.engine.snapshot()), tells_trends=True)
    again.seconds = hut.seconds
    again.run(seconds=1, every=1)
    assert again.engine.take_trends() == []
    again.run(seconds=20, every=7, alder=RESTING)
    assert trends(again.engine.take_trends(), "pack/alder")


def test_garbage_in_its_state_is_not_gone_on_from() -> None:
    hut = watched()
    hut.run(minutes=10, alder=RESTING)
    damaged: list[Any] = [7, {"pack/alder": 7}, {"pack/alder": {}}, {"pack/alder": {"slot": "x"}}]
    for broken in damaged:
        again = Scene(state={**hut.engine.snapshot(), "trends": broken}, tells_trends=True)
        again.seconds = hut.seconds
        again.run(minutes=10, alder=RESTING)
        assert trends(again.engine.take_trends(), "pack/alder")
