"""Which changes of the suggestion are worth a message of their own."""

from __future__ import annotations

import pytest

from watchd.advice.advice import Advice, VoltageAdvice, worth_saying


def of(amps: float | None, limited_by: str = "bank maximum", because: str = "so") -> Advice:
    return Advice(amps, limited_by, because)


@pytest.mark.parametrize(
    ("what", "before", "now", "worth"),
    [
        ("the first", None, of(50.0), True),
        ("the first, and it is none", None, of(None), True),
        ("the same again", of(50.0), of(50.0), False),
        ("withdrawn", of(50.0), of(None), True),
        ("back again", of(None), of(50.0), True),
        ("still none, for the same reason", of(None), of(None), False),
        ("still none, for another reason", of(None), of(None, because="else"), True),
        ("a fall of half an ampere", of(300.0), of(299.5), True),
        ("a fall of less", of(300.0), of(299.6), False),
        ("a fall by a tenth of little", of(2.0), of(1.8), True),
        ("a fall by less than a tenth of little", of(2.0), of(1.9), False),
        ("a fall to nothing", of(0.1), of(0.0), True),
        ("a rise of less than one ampere", of(10.0), of(10.9), False),
        ("a rise of one ampere", of(10.1), of(11.1), True),
        ("a small rise with another cause", of(10.0), of(10.5, "slow rise"), False),
        ("another cause, the same amps", of(10.0), of(10.0, "slow rise"), False),
    ],
)
def test_what_is_worth_a_message(
    what: str, before: Advice | None, now: Advice, worth: bool
) -> None:
    assert worth_saying(before, now) is worth, what


def test_the_least_fall_is_said_wherever_it_lies() -> None:
    # In floats 0.9 is less than a tenth below 1.0, and 7.7 less than half an ampere below 8.2.
    halves = [n for n in range(50, 3000) if not worth_saying(of(n / 10), of((n - 5) / 10))]
    tenths = [n for n in range(1, 50) if not worth_saying(of(n), of((10 * n - n) / 10))]
    assert (halves, tenths) == ([], [])


def volts(of_v: float | None, because: str = "so") -> VoltageAdvice:
    return VoltageAdvice(of_v, "charge voltage", because)


@pytest.mark.parametrize(
    ("what", "before", "now", "worth"),
    [
        ("the first", None, volts(56.0), True),
        ("the same again", volts(56.0), volts(56.0), False),
        ("withdrawn", volts(56.0), volts(None), True),
        ("back again", volts(None), volts(56.0), True),
        ("still none, for the same reason", volts(None), volts(None), False),
        ("still none, for another reason", volts(None), volts(None, "else"), True),
        ("a step of a decivolt down", volts(56.0), volts(55.9), True),
        ("and up", volts(55.9), volts(56.0), True),
        # In floats 56.05 is less than 5 cV above 56.
        ("the least change", volts(56.0), volts(56.05), True),
        ("less", volts(56.0), volts(55.96), False),
        ("another reason, the same volts", volts(56.0), volts(56.0, "else"), False),
    ],
)
def test_which_change_of_the_voltage_is(
    what: str, before: VoltageAdvice | None, now: VoltageAdvice, worth: bool
) -> None:
    assert worth_saying(before, now) is worth, what
