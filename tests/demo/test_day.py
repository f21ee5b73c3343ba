"""The day as a whole: what the story promises comes about by physics."""

import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from demo.skerry.record import record
from demo.skerry.simulation import Seen, Simulation, play, taper
from demo.skerry.station import build_bank
from demo.skerry.story import DAY, MORNING, START


def trips(seen: Iterable[tuple[float, bool]]) -> list[float]:
    """Times at which a pack trips."""
    times, before = [], False
    for at, tripped in seen:
        if tripped and not before:
            times.append(at)
        before = tripped
    return times


def longest_s(moments: Iterable[bool]) -> int:
    """The longest time, in steps of a second, for which something holds."""
    longest = running = 0
    for holds in moments:
        running = running + 1 if holds else 0
        longest = max(longest, running)
    return longest


@pytest.fixture(scope="module", params=[1, 2])
def morning(request: pytest.FixtureRequest) -> list[dict[str, float]]:
    """Moments of the morning, with nobody following anything."""
    return [_moment(seen) for seen, _ in play(MORNING, request.param)]


def _moment(seen: Seen) -> dict[str, float]:
    auk, tern, eider = seen.packs
    return {
        "at": seen.at,
        "auk_tripped": auk.bms.overvoltage,
        "auk_highest_v": max(auk.cells_v),
        "auk_spread_mv": 1000 * (max(auk.cells_v) - min(auk.cells_v)),
        "auk_a": auk.current_a,
        "tern_v": sum(tern.cells_v),
        "tern_a": tern.current_a,
        "tern_soc_pct": tern.bms.soc_pct,
        "tern_true_pct": 100 * tern.charge,
        "tern_spread_mv": 1000 * (max(tern.cells_v) - min(tern.cells_v)),
        "others_tripped": tern.bms.overvoltage or eider.bms.overvoltage,
        "eider_soc_pct": eider.bms.soc_pct,
    }


def test_auk_trips_at_least_three_times(morning: list[dict[str, float]]) -> None:
    assert len(trips((m["at"], bool(m["auk_tripped"])) for m in morning)) >= 3
    assert not any(m["others_tripped"] for m in morning)


def test_auks_spread_is_wide_for_minutes_before_the_first_trip(
    morning: list[dict[str, float]],
) -> None:
    first = trips((m["at"], bool(m["auk_tripped"])) for m in morning)[0]
    wide = (
        m["auk_spread_mv"] > 45 and m["auk_highest_v"] > 3.41 and m["auk_a"] > 5
        for m in morning
        if m["at"] < first
    )
    assert longest_s(wide) >= 150


def test_tern_is_full_and_its_bms_does_not_know(morning: list[dict[str, float]]) -> None:
    stuck = (
        m["tern_v"] >= 55.9 and m["tern_a"] < 0.05 * 230 and 84 < m["tern_soc_pct"] < 92
        for m in morning
    )
    assert longest_s(stuck) >= 20 * 60
    assert morning[-1]["tern_true_pct"] > 99


def test_the_packs_in_order_stay_in_order(morning: list[dict[str, float]]) -> None:
    assert max(m["tern_spread_mv"] for m in morning) < 38
    assert morning[-1]["eider_soc_pct"] == pytest.approx(100, abs=0.5)


def test_with_a_charger_that_follows_a_taper_nothing_trips_in_the_afternoon() -> None:
    assert DAY.follows_from_h is not None
    limits: list[tuple[float, float]] = []
    tripped: list[str] = []
    for seen, _ in play(DAY, 1, taper):
        if seen.at < START + DAY.follows_from_h * 3600:
            continue
        tripped += [pack.name for pack in seen.packs if pack.bms.overvoltage]
        if seen.limit_a is not None:
            limits.append((seen.at, seen.limit_a))
    assert tripped == []
    lowest_at, lowest_a = min(limits, key=lambda item: item[1])
    assert lowest_a < 16
    assert max(limit_a for at, limit_a in limits if at > lowest_at) > 100


def test_without_the_taper_the_afternoon_trips_as_the_morning_did() -> None:
    afternoon = [
        (seen.at, seen.packs[0].bms.overvoltage)
        for seen, _ in play(DAY, 1)
        if seen.at > START + 2.6 * 3600
    ]
    assert len(trips(afternoon)) >= 3


def test_charge_is_neither_made_nor_lost() -> None:
    bank = build_bank(1)
    before_ah = [[cell.charge_ah for cell in pack.cells] for pack in bank.packs]
    taken_ah = [0.0] * len(bank.packs)
    for second in range(1800):
        sun_w = 8000.0 if second % 400 < 200 else 0.0
        bank.step(sun_w=sun_w, load_w=900.0, limit_a=None, lasting_s=1.0, ambient_degc=19.0)
        for place, pack in enumerate(bank.packs):
            taken_ah[place] += pack.current_a / 3600
    for pack, before, taken in zip(bank.packs, before_ah, taken_ah, strict=True):
        gained_ah = sum(cell.charge_ah for cell in pack.cells) - sum(before)
        # tern bleeds its high cells into heat, but none is high here
        assert gained_ah == pytest.approx(16 * taken, abs=1e-6)


def test_the_bus_never_exceeds_the_charge_voltage_and_the_charger_not_its_maximum() -> None:
    for seen, _ in play(MORNING, 3):
        assert seen.bus_v <= 56.0 + 1e-9
        assert sum(pack.current_a for pack in seen.packs) <= 160.0 + 1e-6


def test_the_limit_caps_the_current_into_the_bank_and_not_the_loads() -> None:
    simulation = Simulation(replace(MORNING, follows_from_h=0.0, base_load_w=3000.0), 1)
    simulation.follower.hear(20.0, simulation.now)
    for _ in range(60):
        simulation.step()
    assert simulation.bank.current_a == pytest.approx(20.0, abs=1e-6)
    simulation.follower.hear(None, simulation.now)
    for _ in range(60):
        simulation.step()
    assert simulation.bank.current_a > 60.0


def test_the_same_seed_gives_the_same_recording(tmp_path: Path) -> None:
    short = replace(DAY, hours=0.1)
    files = [tmp_path / name for name in ("one.jsonl", "two.jsonl", "other.jsonl")]
    for file, seed in zip(files, (1, 1, 2), strict=True):
        record(file, short, seed, None)
    one, two, other = (file.read_bytes() for file in files)
    assert one == two != other
    times = [json.loads(line)["t"] for line in one.splitlines()]
    assert times == sorted(times)
