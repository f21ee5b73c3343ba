"""Whatever packs do in an afternoon, for what must hold of the suggestion always."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hypothesis import settings
from hypothesis import strategies as st

from tests.advice.bench import PROFILE, START, seen
from watchd.advice.advice import Advice, Cap, PackState
from watchd.advice.charge_limit import ChargeLimit
from watchd.config import Bank, Pack
from watchd.config import ChargeLimit as LimitSettings
from watchd.figures import Value

LOST = ("cell_max_v", "current_a", "temperature_min_degc")
NAMES = ("alder", "birch", "cedar")
STEADY = settings(max_examples=100, deadline=None, derandomize=True)

packs = st.builds(
    Pack,
    bank=st.just("hut"),
    nameplate_ah=st.sampled_from([50.0, 100.0, 230.0, 280.0]),
    max_charge_a=st.floats(10, 200),
    fuse_a=st.none() | st.floats(30, 300),
)
banks = st.builds(
    Bank,
    charge_voltage_v=st.floats(54, 57.6),
    max_charge_a=st.none() | st.floats(20, 500),
    bus_a=st.none() | st.floats(50, 500),
    charge_limit=st.builds(LimitSettings, rise_a_min=st.none() | st.floats(1, 100)),
)
learnt = st.fixed_dictionaries(
    {
        "charge_headroom_a": st.floats(0, 400),
        "charge_headroom_cell_no": st.integers(1, 16),
        "horizon_mohm": st.floats(2, 60),
    }
)
doubts: list[dict[str, Value]] = [
    {},
    {},
    {},
    {"telemetry_frozen": True, "telemetry_frozen_what": "cell_v"},
    {"telemetry_implausible": True, "telemetry_implausible_what": "sums"},
]
distrusted = st.sampled_from(doubts)


@dataclass(frozen=True)
class Moment:
    """The packs of a bank and the caps of raised rules, so many seconds after the last moment."""

    after_s: float
    packs: tuple[PackState, ...]
    caps: tuple[Cap, ...]

    @property
    def charging(self) -> list[PackState]:
        return [p for p in self.packs if p.figures["charge_allowed"] is not False]

    @property
    def is_learnt(self) -> bool:
        """Whether what an A more does is known of every pack that charges."""
        return all(p.figures["horizon_mohm"] is not None for p in self.charging)

    def share(self, pack: PackState) -> float:
        """The pack's part: of a change by conductance where all is learnt, else of nameplate."""
        if not self.is_learnt:
            return pack.pack.nameplate_ah / sum(p.pack.nameplate_ah for p in self.charging)
        siemens = sum(1.0 / number(p, "horizon_mohm") for p in self.charging)
        return 1.0 / number(pack, "horizon_mohm") / siemens

    def carries_a(self, pack: PackState, bank_a: float) -> float:
        """What a pack carries at a current of the bank, as far as is known."""
        if not self.is_learnt:
            return bank_a * self.share(pack)
        now_a = sum(number(p, "current_a") for p in self.charging)
        return number(pack, "current_a") + self.share(pack) * (bank_a - now_a)


def number(pack: PackState, name: str) -> float:
    value = pack.figures[name]
    assert isinstance(value, float), name
    return value


def with_figures(pack: PackState, **figures: Value) -> PackState:
    return replace(pack, figures={**pack.figures, **figures})


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
    """Packs come and go, cells rise and fall; unless `complete`, telemetry goes missing.

    Resistance is learnt of none, of all, or of some that change.
    """
    bank = draw(banks)
    members = {name: draw(packs) for name in NAMES[: draw(st.integers(1, 3))]}
    lost = st.just("") if complete else st.sampled_from(["", "", "", "", *LOST])
    nothing: st.SearchStrategy[dict[str, float]] = st.just({})
    of_packs = draw(st.sampled_from([nothing, learnt, learnt | nothing]))

    def state(name: str) -> PackState:
        found = seen(
            name,
            members[name],
            cell_max_v=draw(st.floats(3.2, 3.7)),
            current_a=draw(st.floats(-50, 150)),
            temperature_degc=draw(st.sampled_from([-5.0, 0.0, 15.0, 15.0, 15.0, 46.0])),
            charge_allowed=draw(st.sampled_from([True, True, True, False, None])),
            setting_overvoltage_v=draw(st.none() | st.floats(3.4, 3.8)),
            also={**draw(of_packs), **({} if complete else draw(distrusted))},
        )
        if what := draw(lost):
            found = with_figures(found, **{what: None})
        return replace(found, trip_wanted=draw(st.sampled_from([False, False, False, True])))

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
