"""Units from magnitude, names and what must agree; and what is said to be beyond telling."""

from __future__ import annotations

import pytest

from watchd.proposal import scales
from watchd.proposal.direction import Behaviour, direction
from watchd.proposal.events import event_of
from watchd.proposal.guess import Certainty
from watchd.proposal.scales import Powered
from watchd.proposal.sources import own_name

SURE, LIKELY, NOT_SURE = Certainty.SURE, Certainty.LIKELY, Certainty.NOT_SURE


@pytest.mark.parametrize(
    ("seen", "sum_v", "scale", "certainty"),
    [
        (53.31, 53.29, 1.0, SURE),
        (53310, 53.29, 0.001, SURE),
        (5331, 53.29, 0.01, SURE),
        (533, 53.29, 0.1, SURE),
        (51.2, 53.29, None, None),  # another pack's, or an inverter's
        (53310, None, 0.001, LIKELY),
    ],
)
def test_voltage(
    seen: float, sum_v: float | None, scale: float | None, certainty: Certainty | None
) -> None:
    guess = scales.voltage([seen], sum_v, ("volts",))
    assert (guess and guess.value, guess and guess.certainty) == (scale, certainty)


@pytest.mark.parametrize(
    ("seen", "words", "watts", "scale", "certainty"),
    [
        ([20.3, 20.4], ("current",), None, 1.0, LIKELY),
        ([203, 204], ("deciamps",), None, 0.1, LIKELY),
        ([203, 204], ("current",), 1080, 0.1, SURE),
        ([-203, -204], ("current",), 1080, 0.1, SURE),
        ([20, 21], ("current",), 1090, 1.0, SURE),
        ([20, 21], ("current",), None, 1.0, NOT_SURE),  # whole: may be tenths
        ([203, 204], ("current",), None, 0.1, NOT_SURE),
        ([20300], ("current",), None, 0.001, NOT_SURE),
        ([20300], ("ma",), None, 0.001, LIKELY),
        ([0.0, 0.1], ("current",), None, 1.0, NOT_SURE),
        ([20.3], ("current",), 150, 1.0, LIKELY),  # a power of something else
    ],
)
def test_current(
    seen: list[float],
    words: tuple[str, ...],
    watts: float | None,
    scale: float,
    certainty: Certainty,
) -> None:
    values = [float(v) for v in seen]
    power = None if watts is None else Powered("power", [(v, watts) for v in values[-1:]])
    guess = scales.current(values, words, 53.3, power)
    assert (guess.value, guess.certainty) == (scale, certainty)


@pytest.mark.parametrize(
    ("seen", "words", "celsius", "certainty"),
    [
        ([17.5, 18.0], ("temp",), 17.5, LIKELY),
        ([-8.0], ("temp",), -8.0, LIKELY),
        ([290.65], ("temp",), 17.5, LIKELY),
        ([290.0], ("kelvin",), 16.85, SURE),
        ([2906.0], ("temp",), 17.45, LIKELY),
        ([175.0], ("temp",), 17.5, LIKELY),
        ([17500.0], ("temp",), 17.5, LIKELY),
        ([63.5], ("temp", "fahrenheit"), 17.5, LIKELY),
        ([290.0], ("temp",), 29.0, NOT_SURE),  # 29.0 in tenths, or 17 in kelvin
        ([63.5], ("temp",), 63.5, NOT_SURE),  # or 17.5 from Fahrenheit
    ],
)
def test_temperature(
    seen: list[float], words: tuple[str, ...], celsius: float, certainty: Certainty
) -> None:
    found = scales.temperature(seen, words)
    assert found is not None
    assert seen[0] * found.scale + found.offset == pytest.approx(celsius, abs=0.05)
    assert found.certainty is certainty
    assert ("cannot be told" in found.reason) is (certainty is NOT_SURE)


@pytest.mark.parametrize(
    ("seen", "percent"),
    [([81.0], 81.0), ([0.81], 81.0), ([812.0], 81.2), ([8125.0], 81.25), ([1.0, 0.99], 100.0)],
)
def test_state_of_charge(seen: list[float], percent: float) -> None:
    guess = scales.soc(seen, ("soc",))
    assert guess is not None
    assert seen[0] * guess.value == pytest.approx(percent)


def test_a_state_of_charge_of_1_may_be_either() -> None:
    guess = scales.soc([1.0], ("soc",))
    assert guess is not None
    assert guess.certainty is NOT_SURE
    assert scales.soc([81.0], ("humidity",)) is None


def steps(sign: float, ohm: float = 0.0003, noise: float = 0.0) -> Behaviour:
    amps = [10, 10, 25, 24, 3, 4, -15, -14, 20, 21, 8]
    wobble = [noise * (-1) ** n for n in range(len(amps))]
    return Behaviour(
        [(2.0 * n, sign * a) for n, a in enumerate(amps)],
        [(2.0 * n, 3.33 + ohm * a + w) for n, (a, w) in enumerate(zip(amps, wobble, strict=True))],
        [],
    )


def steady(amps: float, begin_v: float, end_v: float, soc: tuple[float, ...] = ()) -> Behaviour:
    times = [10.0 * n for n in range(7)]
    return Behaviour(
        [(t, amps) for t in times],
        [(t, begin_v + (end_v - begin_v) * n / 6) for n, t in enumerate(times)],
        [(60.0 * n, v) for n, v in enumerate(soc)],
    )


@pytest.mark.parametrize(
    ("pack", "outward", "sign", "certainty"),
    [
        (steps(1.0), None, 1.0, SURE),
        (steps(-1.0), None, -1.0, SURE),
        (steps(-1.0), True, -1.0, SURE),
        (steps(1.0), True, 1.0, NOT_SURE),  # it behaves otherwise than it is called
        (steps(1.0, noise=0.02), None, 1.0, NOT_SURE),
        (steady(20, 3.33, 3.33), None, 1.0, NOT_SURE),
        (steady(20, 3.33, 3.33), True, -1.0, LIKELY),
        (steady(20, 3.33, 3.33), False, 1.0, LIKELY),
        (steady(0, 3.33, 3.33), None, 1.0, NOT_SURE),
        (steady(-20, 3.33, 3.33, soc=(60, 62, 64)), None, -1.0, LIKELY),
        (steady(20, 3.33, 3.33, soc=(64, 62, 60)), None, -1.0, LIKELY),
        (steady(-20, 3.43, 3.44), None, -1.0, LIKELY),  # as high as this it stands in charge
        (steady(-20, 3.45, 3.43), None, 1.0, NOT_SURE),  # but not while it comes down
    ],
)
def test_direction(
    pack: Behaviour, outward: bool | None, sign: float, certainty: Certainty
) -> None:
    guess = direction([pack], outward)
    assert (guess.value, guess.certainty) == (sign, certainty)
    assert ("run --once" in guess.reason) is (certainty is NOT_SURE)


@pytest.mark.parametrize(
    ("words", "event"),
    [
        ("cell high", "OVER_VOLT"),
        ("cell low", "UNDER_VOLT"),
        ("over voltage alarm", "OVER_VOLT"),
        ("undervoltage", "UNDER_VOLT"),
        ("over temp charge", "OVER_TEMP"),
        ("low temperature", "UNDER_TEMP"),
        ("charge over current", "OVER_CHARGE_CURRENT"),
        ("over current discharge", "OVER_DISCHARGE_CURRENT"),
        ("over current", None),
        ("cell", None),
        ("high low cell", None),
        ("short circuit", None),
    ],
)
def test_events(words: str, event: str | None) -> None:
    assert event_of(words.split()) == event


@pytest.mark.parametrize(
    ("theirs", "ours"),
    [
        ("alder", "alder"),
        ("7", "pack-7"),
        ("a4:c1:38:0f", "pack-2"),
        ("0x1a2b3c", "pack-2"),
        ("Zelle Süd", "pack-2"),
        ("", "pack-2"),
        ("birch", "birch-2"),
        ("cafe", "cafe"),
    ],
)
def test_names(theirs: str, ours: str) -> None:
    assert own_name(theirs, 2, ["birch"]) == ours
