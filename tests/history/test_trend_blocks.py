"""Trends, days and full charges come back within their resolution; what is damaged is refused."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Sequence
from contextlib import suppress
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.history.measurements import MIDNIGHT
from watchd.figures import Value
from watchd.history.recorder import DAY_S, day_of
from watchd.history.series import DamagedBlockError, Writer
from watchd.history.trend_blocks import (
    FULL_HEAD,
    OPEN_HEAD,
    TRENDS_HEAD,
    day_row,
    full_row,
    pack_open,
    trend_block,
    unpack_full,
    unpack_open,
    unpack_pack_day,
    unpack_trends,
)
from watchd.history.trend_recorder import BLOCK_S, TrendRecorder
from watchd.history.trending import Look
from watchd.history.trends import BANK_TRENDS, PACK_TRENDS, FullCharge, PackDay, Trend

STEADY = settings(deadline=None, derandomize=True, database=None, max_examples=150)
# Half a step.
WITHIN = {"v": 0.00005, "mv": 0.05, "a": 0.005, "pct": 0.005, "degc": 0.05}

numbers = st.floats(-1e6, 1e6)
values = numbers | st.text(st.characters(codec="utf-8"), max_size=8)
names = st.sampled_from((*PACK_TRENDS, *BANK_TRENDS, "one_more_mv", "odd"))
some_trends = st.lists(
    st.builds(Trend, st.floats(0, 1e11), st.dictionaries(names, values, max_size=6)), max_size=30
).map(lambda found: sorted(found, key=lambda t: t.at))
unknown_or = st.none() | numbers
full_charges = st.builds(
    FullCharge,
    st.floats(0, 1e11),
    unknown_or,
    st.none() | st.lists(numbers, max_size=20).map(tuple),
    unknown_or,
    unknown_or,
)


@STEADY
@given(some_trends)
def test_trends_there_and_back_within_the_resolution(trends: list[Trend]) -> None:
    if not trends:
        return
    found = unpack_trends(trend_block("pack/alder", trends).data)
    assert len(found) == len(trends)
    for got, wanted in zip(found, trends, strict=True):
        assert 0 <= wanted.at - got.at < 0.1 + wanted.at * 1e-15
        assert set(got.figures) == set(wanted.figures)
        for name, value in wanted.figures.items():
            seen = got.figures[name]
            if isinstance(value, str):
                assert seen == value
            else:
                within = WITHIN.get(name.rsplit("_", 1)[-1], 5e-7)
                assert seen == pytest.approx(value, abs=within + 1e-9)
    again = unpack_trends(trend_block("pack/alder", found).data)
    assert again == found, "what was kept once is kept exactly"


@STEADY
@given(
    st.dictionaries(st.sampled_from(["pack/alder", "bank/hut"]), some_trends),
    st.lists(full_charges, max_size=3),
)
def test_what_is_open_there_and_back(
    trends: dict[str, list[Trend]], fulls: Sequence[FullCharge]
) -> None:
    full = {("alder", f.at): f for f in fulls}
    found, found_full = unpack_open(pack_open(trends, full))
    assert found_full == full
    assert found.keys() == trends.keys()
    for subject, kept in found.items():
        if kept:
            assert kept == unpack_trends(trend_block(subject, trends[subject]).data)


@STEADY
@given(full_charges)
def test_a_full_charge_there_and_back(full: FullCharge) -> None:
    assert unpack_full(full_row("alder", full).data) == full


words = st.lists(st.text(max_size=5), max_size=3).map(tuple)
figure = st.one_of(
    st.none(), st.booleans(), st.integers(-1000, 1000), numbers, st.text(max_size=9), words
)


@STEADY
@given(
    st.integers(0, 100_000),
    st.dictionaries(st.text(max_size=20), figure, max_size=9),
    st.none() | st.lists(unknown_or, max_size=16).map(tuple),
    st.lists(full_charges, max_size=2).map(tuple),
)
def test_a_day_there_and_back(
    day: int,
    figures: dict[str, Value],
    cells: tuple[float | None, ...] | None,
    fulls: tuple[FullCharge, ...],
) -> None:
    given_day = PackDay(day * DAY_S, figures, cells, None, fulls)
    row = day_row("alder", given_day)
    assert (row.pack, row.day) == ("alder", day)
    found = unpack_pack_day(row.data, fulls)
    assert (found.at, found.cell_excess_mohm, found.full_charges) == (day * DAY_S, cells, fulls)
    assert found.cell_imbalance_ah is None
    for name, value in figures.items():
        seen = found.figures[name]
        if isinstance(value, float):
            assert seen == pytest.approx(value, rel=1e-6)
        else:
            assert (seen, type(seen)) == (value, type(value))


@pytest.mark.parametrize("odd", [math.nan, math.inf, 1e300, True, ("OVER_VOLT",)])
def test_a_value_that_a_trend_cannot_hold_is_left_out(odd: Value) -> None:
    block = trend_block("pack/alder", [Trend(MIDNIGHT, {"soc_pct": odd, "current_a": 1.0})])
    assert unpack_trends(block.data) == [Trend(MIDNIGHT, {"current_a": 1.0})]


READERS: dict[bytes, Callable[[bytes], Any]] = {
    TRENDS_HEAD: unpack_trends,
    OPEN_HEAD: unpack_open,
    FULL_HEAD: unpack_full,
    b"p\x01": lambda data: unpack_pack_day(data, ()),
}


@STEADY
@given(st.sampled_from(sorted(READERS)), st.binary(max_size=80), st.booleans())
def test_bytes_that_are_no_block_are_refused(head: bytes, body: bytes, packed: bool) -> None:
    with suppress(DamagedBlockError):
        READERS[head](head + (zlib.compress(body) if packed else body))
    with pytest.raises(DamagedBlockError):
        READERS[head](b"?" + body)


@pytest.mark.parametrize(
    "text",
    [
        "7",
        "[7]",
        "{}",
        "[[], 1]",
        "[1, 2, 3, 4, 5]",
        "[1e12, null, null, null, null]",
        f"[{10**400}, null, null, null, null]",
        "[" * 5000,
    ],
)
def test_json_of_another_kind_is_refused(text: str) -> None:
    writer = Writer()
    writer.text(text)
    for head in (FULL_HEAD, b"p\x01"):
        with pytest.raises(DamagedBlockError):
            READERS[head](writer.packed(head))


def test_a_block_that_was_changed_is_refused() -> None:
    data = trend_block("pack/alder", [Trend(MIDNIGHT, {"soc_pct": 50.0})]).data
    for place in range(len(data)):
        broken = data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]
        with pytest.raises(DamagedBlockError):
            unpack_trends(broken)


# --- gathered ---


def trend(at: float, soc: float = 50.0, subject: str = "pack/alder") -> Look:
    return Look(subject, trend=Trend(at, {"soc_pct": soc}))


def test_a_block_is_of_two_hours_as_the_clock_shows_them() -> None:
    found = TrendRecorder()
    found.take(trend(MIDNIGHT - 600 + n * 300) for n in range(30))
    run = found.take_run()
    assert [[t.at for t in trends] for _, trends in run.runs] == [
        [MIDNIGHT - 600, MIDNIGHT - 300],
        [MIDNIGHT + n * 300 for n in range(24)],
    ]
    assert [t.at for t in run.open["pack/alder"]] == [MIDNIGHT + 7200 + n * 300 for n in range(4)]
    assert found.take_run().runs == []
    assert [s for s, _ in found.take_run(last=True).runs] == ["pack/alder"]
    assert not found.take_run().open


def test_what_is_told_no_more_does_not_stay_open() -> None:
    found = TrendRecorder()
    found.take([trend(MIDNIGHT, subject="pack/gone"), trend(MIDNIGHT)])
    assert set(found.take_run().open) == {"pack/gone", "pack/alder"}
    found.take([trend(MIDNIGHT + BLOCK_S)])
    run = found.take_run()
    assert {s for s, _ in run.runs} == {"pack/gone", "pack/alder"}
    assert set(run.open) == {"pack/alder"}


def test_a_clock_set_back_begins_a_new_block() -> None:
    found = TrendRecorder()
    times = [MIDNIGHT + 600, MIDNIGHT + 900, MIDNIGHT, MIDNIGHT + 300, 0.0, 4e9]
    found.take(trend(at, soc=n) for n, at in enumerate(times))
    run = found.take_run(last=True)
    kept = [[t.at for t in trends] for _, trends in run.runs]
    assert kept == [times[:2], times[2:4], [0.0], [4e9]]


@pytest.mark.parametrize("killed_at", [1, 5, 20, 24, 25, 40])
def test_begun_again_with_what_was_open_it_gives_the_same_blocks(killed_at: int) -> None:
    looks = [trend(MIDNIGHT + n * 300, soc=n) for n in range(50)]
    looks.insert(7, Look("pack/alder", full=FullCharge(MIDNIGHT + 60, 8.0, (1.0, -1.0), 99.0, 0.5)))

    def blocks(parts: Sequence[Sequence[Look]]) -> tuple[list[bytes], list[bytes]]:
        runs, fulls, begun = list[bytes](), list[bytes](), None
        for part in parts:
            found = TrendRecorder(begun)
            found.take(part)
            packed = found.take_run().packed()
            runs += [b.data for b in packed.blocks]
            fulls += [f.data for f in packed.full]
            begun = packed.open
        return runs, fulls

    whole = blocks([looks])
    assert blocks([looks[:killed_at], looks[killed_at:]]) == whole
    assert len(whole[0]) == 2
    assert len(whole[1]) == 1


def test_what_was_open_and_is_damaged_is_done_without() -> None:
    for damaged in (b"", b"o\x01", b"o\x01abc", pack_open({"pack/alder": []}, {})):
        found = TrendRecorder(damaged)
        found.take([trend(MIDNIGHT)])
        assert set(found.take_run().open) == {"pack/alder"}


def test_what_waits_is_bounded() -> None:
    found = TrendRecorder()
    figures: dict[str, Value] = {}
    for n in range(6000):
        found.take([trend(MIDNIGHT + n * BLOCK_S)])
        found.take([Look("pack/a", day=PackDay(n * DAY_S, figures, None, None, ()))])
        found.take([Look("pack/a", full=FullCharge(n, None, None, None, None))])
    run = found.take_run(last=True)
    assert len(run.runs) == 5000
    assert len(run.days) == len(run.full) == 1000
    assert run.runs[-1][1][0].at == MIDNIGHT + 5999 * BLOCK_S
    assert [day for _, day in run.days][-1] == 5999


def test_of_a_day_and_a_full_charge_the_newest_stands() -> None:
    found = TrendRecorder()
    for spread in (5.0, 9.0):
        found.take([Look("pack/a", full=FullCharge(1.0, spread, None, None, None))])
        day = PackDay(MIDNIGHT, {"cell_spread_mv": spread}, None, None, ())
        found.take([Look("pack/a", day=day)])
    run = found.take_run(last=True)
    assert [f.spread_at_full_mv for f in run.full.values()] == [9.0]
    assert [d.figures["cell_spread_mv"] for d in run.days.values()] == [9.0]
    assert list(run.days) == [("a", day_of(MIDNIGHT))]


def test_a_year_of_trends_of_a_pack_is_small(
    record_property: Callable[[str, object], None],
) -> None:
    """A made-up pack in full sun: noisy, so that it does not pack better than a real one."""
    rng = Random(3)
    size = 0
    for block in range(12):
        trends = []
        for n in range(24):
            second = block * 7200 + n * 300
            amps = 30 * math.sin(second / 9000) + rng.gauss(0, 8)
            figures: dict[str, Value] = {
                "current_a": round(amps, 2),
                "soc_pct": float(round(60 + 20 * math.sin(second / 20_000))),
                "soc_estimate_pct": 60 + 20 * math.sin(second / 20_000) + rng.gauss(0, 0.02),
                "soc_estimate_sigma_pct": 1.2 + second / 1e5,
                "cell_spread_mv": float(rng.randrange(4, 9)),
                "cell_max_v": round(3.34 + amps / 5000, 3),
                "cell_min_v": round(3.33 + amps / 5000, 3),
                "temperature_max_degc": round(20 + 3 * math.sin(second / 10_000), 1),
                "charge_state": "CHARGING" if amps > 0 else "DISCHARGING",
            }
            trends.append(Trend(MIDNIGHT + second, figures))
        size += len(trend_block("pack/alder", trends).data)
    record_property("shown", f"trends of a pack: {size * 365 / 1e6:.2f} MB a year")
    assert size * 365 < 2_500_000
