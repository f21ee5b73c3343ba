"""What is made of each pack is made anew only where the pack is another."""

from __future__ import annotations

from dataclasses import replace

from tests.advice.bench import ALDER, PROFILE, ROOMY, START, limit_a, seen
from watchd.advice.advice import Advice, PackState
from watchd.advice.charge_limit import ChargeLimit
from watchd.advice.of_packs import OfPacks


def test_only_of_the_one_that_is_another() -> None:
    made: list[str] = []

    def name(state: PackState) -> str:
        made.append(state.name)
        return state.name

    alder, birch = seen("alder", ALDER), seen("birch", ALDER)
    packs = OfPacks(name)
    assert packs.of([alder, birch]) == packs.of([alder, birch]) == ["alder", "birch"]
    assert made == ["alder", "birch"]
    packs.of([alder, replace(birch)])
    assert made == ["alder", "birch", "birch"]
    # One more, or one less: all of them.
    assert packs.of([birch]) == ["birch"]
    assert made == ["alder", "birch", "birch", "birch"]


def test_an_advice_that_is_read_late_tells_of_its_own_moment() -> None:
    limit = ChargeLimit(ROOMY, PROFILE)
    alder, birch = (seen(n, ALDER, cell_max_v=3.50) for n in ("alder", "birch"))
    first = limit.update(START, [alder, birch], ())
    other = ChargeLimit(ROOMY, PROFILE).update(START, [alder, birch], ())
    told = (other.because, other.parts)
    lower = replace(birch, figures={**birch.figures, "cell_max_v": 3.56})
    second = limit.update(START + 10.0, [alder, lower], ())
    assert limit_a(second) < limit_a(first)
    assert (first.because, first.parts) == told
    assert second.because != first.because


def test_what_is_left_to_why_is_asked_for_once_and_counts_for_equality() -> None:
    asked: list[int] = []

    def why() -> tuple[str, tuple[()]]:
        asked.append(1)
        return "because", ()

    advice = Advice(1.0, "maximum", why=why)
    assert asked == []
    assert advice == Advice(1.0, "maximum", "because")
    assert advice != Advice(1.0, "maximum", "of something else")
    assert (advice.because, repr(advice)[:22], len(asked)) == (
        "because",
        "Advice(limit_a=1.0, li",
        1,
    )
