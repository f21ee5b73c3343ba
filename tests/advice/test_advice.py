"""Advice as it goes from process to process in a replay."""

from __future__ import annotations

import pickle
from collections.abc import Callable

import pytest

from watchd.advice.advice import Advice, Advised, Kind, Part, VoltageAdvice

PARTS = (
    Part("cell-voltage of alder", 41.5, "cell 7 is ahead", pack_limit_a=20.0, share=0.48),
    Part("wiring", 100.0, "as configured"),
)


def by_hand() -> Advice:
    return Advice(41.5, "cell-voltage", "cell 7 is ahead", PARTS)


def when_asked() -> Advice:
    return Advice(41.5, "cell-voltage", why=lambda: ("cell 7 is ahead", PARTS))


def volts() -> VoltageAdvice:
    return VoltageAdvice(56.0, "hold", "the balancer needs time")


@pytest.mark.parametrize("made", [by_hand, when_asked, volts])
def test_all_of_it_arrives(made: Callable[[], Advice | VoltageAdvice]) -> None:
    said = Advised(1790000000.25, "hut", Kind.CHARGE_LIMIT, made())
    arrived = pickle.loads(pickle.dumps(said))  # noqa: S301 # our own
    assert arrived == said
    assert repr(arrived) == repr(said)
    assert arrived.advice.as_data() == made().as_data()
    assert arrived.advice.amount == made().amount
