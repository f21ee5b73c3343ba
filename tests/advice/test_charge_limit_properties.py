"""What holds of the suggestion whatever the packs do, and whatever is learnt of them."""

from __future__ import annotations

import json
import math
from dataclasses import replace

from hypothesis import assume, given
from hypothesis import strategies as st

from tests.advice.afternoons import STEADY, Afternoon, Moment, afternoons, number, with_figures
from tests.advice.bench import PROFILE, START, limit_a
from watchd.advice.charge_limit import ChargeLimit
from watchd.advice.current_limit import SMALL_A, SMALL_PART, STILL_S

ROUNDING_A = 0.1  # amps are said in tenths, rounded down
NEAR_A = 1e-6


def cannot_be_trusted(moment: Moment) -> bool:
    needed = ("cell_max_v", "current_a", "temperature_min_degc")
    doubts = ("telemetry_frozen", "telemetry_implausible")
    return any(p.figures[name] is None for p in moment.packs for name in needed) or any(
        p.figures.get(name) for p in moment.packs for name in doubts
    )


@STEADY
@given(afternoons())
def test_it_is_withdrawn_exactly_while_a_pack_cannot_be_trusted(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        assert (advice.limit_a is None) == cannot_be_trusted(moment)


@STEADY
@given(afternoons(complete=True))
def test_no_maximum_is_passed_and_it_is_never_negative(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        amps = limit_a(advice)
        assert amps >= 0
        for most_a in (afternoon.bank.max_charge_a, afternoon.bank.bus_a):
            assert most_a is None or amps <= most_a
        assert amps <= sum(p.pack.max_charge_a for p in moment.packs)
        for pack in moment.charging:
            fuse_a = 0.8 * (pack.pack.fuse_a or math.inf)
            carried_a = moment.carries_a(pack, amps)
            assert amps == 0 or carried_a <= min(pack.pack.max_charge_a, fuse_a) + NEAR_A


@STEADY
@given(afternoons(complete=True))
def test_no_cell_comes_to_its_limit_within_the_horizon(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        amps = limit_a(advice)
        for pack in moment.charging:
            if pack.figures["charge_headroom_a"] is not None and not pack.trip_wanted:
                headroom_a = number(pack, "charge_headroom_a")
                assert amps == 0 or moment.carries_a(pack, amps) <= max(headroom_a + NEAR_A, 0.0)


@STEADY
@given(afternoons(complete=True))
def test_a_cap_is_kept_to(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        amps = limit_a(advice)
        for cap in moment.caps:
            if cap.pack is None:
                assert amps <= cap.limit_a
            for pack in moment.charging:
                if pack.name == cap.pack:
                    assert amps == 0 or moment.carries_a(pack, amps) <= cap.limit_a + NEAR_A


@STEADY
@given(afternoons(complete=True))
def test_outside_its_temperature_window_a_pack_takes_nothing(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        amps = limit_a(advice)
        for pack in moment.charging:
            if not 0 <= number(pack, "temperature_min_degc") <= 45:
                assert amps == 0 or moment.carries_a(pack, amps) <= NEAR_A


@STEADY
@given(afternoons(complete=True))
def test_it_is_nothing_where_no_pack_may_charge(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        if not moment.charging:
            assert (advice.limit_a, advice.limited_by) == (0, "no pack may charge")
            assert advice.because


@STEADY
@given(afternoons(complete=True))
def test_it_falls_at_once_and_rises_no_faster_than_told(afternoon: Afternoon) -> None:
    before: float | None = None
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        amps = limit_a(advice)
        if advice.parts:
            assert amps <= min(p.limit_a for p in advice.parts)
        if before is not None:
            maxima = [p.limit_a for p in advice.parts if p.what.endswith(" maximum")]
            told = afternoon.bank.charge_limit.rise_a_min
            rise_a_min = told if told is not None else min(maxima, default=0.0) / 10
            assert amps <= before + rise_a_min * moment.after_s / 60 + ROUNDING_A + 1e-9
        before = amps


@STEADY
@given(afternoons(complete=True))
def test_its_reason_and_its_number_belong_together(afternoon: Afternoon) -> None:
    at, fell_at, before = 0.0, -math.inf, math.inf
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        at += moment.after_s
        amps = limit_a(advice)
        if advice.parts:
            lowest = min(advice.parts, key=lambda p: p.limit_a)
            aim_a = math.floor(lowest.limit_a * 10) / 10
            # Within the rounding it may have fallen too.
            fell_at = at if aim_a <= before else fell_at
            if advice.limited_by == "slow rise":
                assert amps < lowest.limit_a
                assert lowest.because in advice.because
            else:
                assert (advice.limited_by, advice.because) == (lowest.what, lowest.because)
                # A small rise waits a while after a fall: only then it is a little less.
                small_a = max(SMALL_A, SMALL_PART * (before + ROUNDING_A)) + ROUNDING_A
                waits = at - fell_at < STILL_S and amps == before and aim_a - amps < small_a
                assert amps == aim_a or waits
        before = amps


@STEADY
@given(afternoons(complete=True))
def test_a_part_says_what_it_rests_on(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        for part in advice.parts:
            if part.pack_limit_a is None or part.share is None:
                continue
            if not moment.is_learnt:
                found_a = part.limit_a * part.share
            elif part.limit_a > 0:
                name = part.what.split()[0].removeprefix("pack/")
                pack = next(p for p in moment.charging if p.name == name)
                assert math.isclose(part.share, moment.share(pack), abs_tol=1e-4)
                found_a = moment.carries_a(pack, part.limit_a)
            else:
                continue
            # What a part says in rounded numbers it rests on in exact ones.
            assert math.isclose(found_a, part.pack_limit_a, rel_tol=1e-3, abs_tol=0.05)


@STEADY
@given(afternoons(complete=True, most=1), st.floats(0, 0.5), st.floats(0, 1), st.data())
def test_a_higher_cell_or_less_room_never_means_more(
    afternoon: Afternoon, by_v: float, part: float, data: st.DataObject
) -> None:
    (moment,) = afternoon.moments
    at = data.draw(st.integers(0, len(moment.packs) - 1))
    pack = moment.packs[at]
    risen = with_figures(pack, cell_max_v=number(pack, "cell_max_v") + by_v)
    if pack.figures["charge_headroom_a"] is not None:
        risen = with_figures(risen, charge_headroom_a=part * number(pack, "charge_headroom_a"))
    higher = replace(moment, packs=(*moment.packs[:at], risen, *moment.packs[at + 1 :]))
    (advice,) = afternoon.advices()
    (now,) = replace(afternoon, moments=(higher,)).advices()
    assert limit_a(now) <= limit_a(advice)


@STEADY
@given(afternoons(complete=True, most=1), st.floats(0.01, 0.3))
def test_a_threshold_that_a_bms_lowers_never_means_more(afternoon: Afternoon, by_v: float) -> None:
    (moment,) = afternoon.moments
    lowered = tuple(
        with_figures(p, setting_overvoltage_v=p.pack.bms.overvoltage_v - by_v) for p in moment.packs
    )
    unreported = tuple(with_figures(p, setting_overvoltage_v=None) for p in moment.packs)
    limits = [
        limit_a(replace(afternoon, moments=(replace(moment, packs=p),)).advices()[0])
        for p in (lowered, unreported)
    ]
    assert limits[0] <= limits[1]


@STEADY
@given(afternoons(complete=True, most=1), st.data())
def test_a_blocked_pack_counts_as_if_it_were_not_there(
    afternoon: Afternoon, data: st.DataObject
) -> None:
    (moment,) = afternoon.moments
    assume(len(moment.packs) > 1)
    at = data.draw(st.integers(0, len(moment.packs) - 1))
    pack = moment.packs[at]
    blocked = with_figures(pack, charge_allowed=False)
    others = (*moment.packs[:at], *moment.packs[at + 1 :])
    # The default of the bank's limit is the sum of its packs, blocked or not.
    bank = afternoon.bank.model_copy(update={"max_charge_a": 300.0})
    caps = tuple(c for c in moment.caps if c.pack != pack.name)
    with_it = Afternoon(bank, (Moment(0.0, (*others, blocked), moment.caps),))
    without = Afternoon(bank, (Moment(0.0, others, caps),))
    assert with_it.advices() == without.advices()


@STEADY
@given(afternoons(), st.integers(0, 8))
def test_a_restart_changes_nothing(afternoon: Afternoon, after: int) -> None:
    moments = afternoon.moments
    limit = ChargeLimit(afternoon.bank, PROFILE)
    before = replace(afternoon, moments=moments[:after]).advices(limit)
    saved = json.loads(json.dumps(limit.snapshot()))
    at = START + sum(m.after_s for m in moments[:after])
    again, found = ChargeLimit(afternoon.bank, PROFILE, saved), list(before)
    for moment in moments[after:]:
        at += moment.after_s
        found.append(again.update(at, moment.packs, moment.caps))
    assert found == afternoon.advices()
