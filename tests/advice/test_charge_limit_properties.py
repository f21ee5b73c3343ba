"""What holds of the suggestion whatever the packs do."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.advice.bench import PROFILE, START, limit_a, seen
from watchd.advice.advice import Advice, Cap, PackState
from watchd.advice.charge_limit import ChargeLimit
from watchd.config import Bank, Pack
from watchd.config import ChargeLimit as LimitSettings

NAMES = ("alder", "birch", "cedar")
ROUNDING_A = 0.1  # amps are said in tenths, rounded down
STEADY = settings(max_examples=100, deadline=None, derandomize=True)

packs = st.builds(
    Pack,
    bank=st.just("hut"),
    nameplate_ah=st.sampled_from([50.0, 100.0, 230.0, 280.0]),
    max_charge_a=st.floats(10, 200),
)
banks = st.builds(
    Bank,
    charge_voltage_v=st.floats(54, 57.6),
    max_charge_a=st.none() | st.floats(20, 500),
    charge_limit=st.builds(LimitSettings, rise_a_min=st.none() | st.floats(1, 100)),
)


@dataclass(frozen=True)
class Moment:
    """The packs of a bank and the caps of raised rules, so many seconds after the last moment."""

    after_s: float
    packs: tuple[PackState, ...]
    caps: tuple[Cap, ...]


@dataclass(frozen=True)
class Afternoon:
    """A bank and what happens on it."""

    bank: Bank
    moments: tuple[Moment, ...]

    def advices(self, limit: ChargeLimit | None = None) -> list[Advice]:
        limit = limit or ChargeLimit(self.bank, PROFILE)
        at, found = START, []
        for moment in self.moments:
            at += moment.after_s
            found.append(limit.update(at, moment.packs, moment.caps))
        return found


@st.composite
def afternoons(draw: st.DrawFn, *, complete: bool = False, most: int = 8) -> Afternoon:
    """Packs come and go, cells rise and fall; unless `complete`, telemetry goes missing."""
    bank = draw(banks)
    members = {name: draw(packs) for name in NAMES[: draw(st.integers(1, 3))]}
    gone = st.nothing() if complete else st.none()

    def state(name: str) -> PackState:
        return seen(
            name,
            members[name],
            cell_max_v=draw(st.floats(3.2, 3.7) | gone),
            current_a=draw(st.floats(-50, 150) | gone),
            temperature_degc=draw(st.sampled_from([-5.0, 0.0, 15.0, 15.0, 15.0, 46.0]) | gone),
            charge_allowed=draw(st.sampled_from([True, True, True, False, None])),
            setting_overvoltage_v=draw(st.none() | st.floats(3.4, 3.8)),
        )

    cap = st.builds(
        Cap, st.sampled_from([*members, None]), st.sampled_from(["a", "b"]), st.floats(0, 100)
    )
    moments = [
        Moment(
            draw(st.sampled_from([0.0, 1.0, 5.0, 10.0, 60.0, 600.0])),
            tuple(state(name) for name in members),
            tuple(draw(st.lists(cap, max_size=2))),
        )
        for _ in range(draw(st.integers(1, most)))
    ]
    return Afternoon(bank, tuple(moments))


def charging(moment: Moment) -> list[PackState]:
    return [p for p in moment.packs if p.figures["charge_allowed"] is not False]


def nominal_share(moment: Moment, pack: PackState) -> float:
    return pack.pack.nameplate_ah / sum(p.pack.nameplate_ah for p in charging(moment))


def lacks_telemetry(moment: Moment) -> bool:
    needed = ("cell_max_v", "current_a", "temperature_min_degc")
    return any(p.figures[name] is None for p in moment.packs for name in needed)


@STEADY
@given(afternoons())
def test_it_is_withdrawn_exactly_while_a_pack_lacks_telemetry(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        assert (advice.limit_a is None) == lacks_telemetry(moment)


@STEADY
@given(afternoons(complete=True))
def test_it_never_passes_a_maximum_and_is_never_negative(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        amps = limit_a(advice)
        most_a = afternoon.bank.max_charge_a
        assert amps >= 0
        if most_a is not None:
            assert amps <= most_a
        assert amps <= sum(p.pack.max_charge_a for p in moment.packs)
        for pack in charging(moment):
            assert amps * nominal_share(moment, pack) <= pack.pack.max_charge_a + 1e-9


@STEADY
@given(afternoons(complete=True))
def test_a_cap_is_kept_to(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        for cap in moment.caps:
            if cap.pack is None:
                assert limit_a(advice) <= cap.limit_a
            for pack in charging(moment):
                if pack.name == cap.pack:
                    assert limit_a(advice) * nominal_share(moment, pack) <= cap.limit_a + 1e-9


@STEADY
@given(afternoons(complete=True))
def test_outside_a_temperature_window_it_is_nothing(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        degrees = [p.figures["temperature_min_degc"] for p in charging(moment)]
        if any(isinstance(d, float) and not 0 <= d <= 45 for d in degrees):
            assert advice.limit_a == 0


@STEADY
@given(afternoons(complete=True))
def test_it_is_nothing_where_no_pack_may_charge(afternoon: Afternoon) -> None:
    for moment, advice in zip(afternoon.moments, afternoon.advices(), strict=True):
        if not charging(moment):
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
def test_the_parts_explain_it(afternoon: Afternoon) -> None:
    for advice in afternoon.advices():
        if not advice.parts:
            continue
        lowest = min(advice.parts, key=lambda p: p.limit_a)
        if advice.limited_by == "slow rise":
            assert limit_a(advice) < lowest.limit_a
            assert lowest.because in advice.because
        else:
            assert limit_a(advice) == math.floor(lowest.limit_a * 10) / 10
            assert (advice.limited_by, advice.because) == (lowest.what, lowest.because)
        for part in advice.parts:
            if part.pack_limit_a is not None and part.share is not None:
                # What a part says in rounded numbers it rests on in exact ones.
                assert math.isclose(
                    part.limit_a * part.share, part.pack_limit_a, rel_tol=1e-3, abs_tol=0.05
                )


@STEADY
@given(afternoons(complete=True, most=1), st.floats(0, 0.5), st.data())
def test_a_higher_cell_never_means_more(
    afternoon: Afternoon, by_v: float, data: st.DataObject
) -> None:
    (moment,) = afternoon.moments
    at = data.draw(st.integers(0, len(moment.packs) - 1))
    pack = moment.packs[at]
    volts = pack.figures["cell_max_v"]
    assert isinstance(volts, float)
    risen = replace(pack, figures={**pack.figures, "cell_max_v": volts + by_v})
    higher = replace(moment, packs=(*moment.packs[:at], risen, *moment.packs[at + 1 :]))
    (advice,) = afternoon.advices()
    (now,) = replace(afternoon, moments=(higher,)).advices()
    assert limit_a(now) <= limit_a(advice)


@STEADY
@given(afternoons(complete=True, most=1), st.floats(0.01, 0.3))
def test_a_threshold_that_a_bms_lowers_never_means_more(afternoon: Afternoon, by_v: float) -> None:
    (moment,) = afternoon.moments
    lowered = tuple(
        replace(p, figures={**p.figures, "setting_overvoltage_v": p.pack.bms.overvoltage_v - by_v})
        for p in moment.packs
    )
    unreported = tuple(
        replace(p, figures={**p.figures, "setting_overvoltage_v": None}) for p in moment.packs
    )
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
    blocked = replace(pack, figures={**pack.figures, "charge_allowed": False})
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
