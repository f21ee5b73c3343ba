"""When a pack is looked at between its messages: in its own rhythm."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.scene import Scene, pack
from watchd.watch.pack import PackWatch


def looks(
    monkeypatch: pytest.MonkeyPatch, every_s: float, messages: int, end_s: float
) -> list[float]:
    """Seconds since the last message at which alder was looked at, until `end_s` after it."""
    at: list[float] = []
    evaluate = PackWatch.evaluate

    def noted(watch: PackWatch, moment: float) -> object:
        if watch.name == "alder":
            at.append(moment)
        return evaluate(watch, moment)

    monkeypatch.setattr(PackWatch, "evaluate", noted)
    hut = Scene()
    for number in range(messages):
        hut.seconds = number * every_s
        hut.feed("hut/alder/state", pack())
    last = hut.now
    hut.engine.tick(last + end_s)
    return sorted({moment - last for moment in at})


def test_between_fast_messages_nothing_is_looked_at_and_after_them_every_ten_seconds(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = looks(monkeypatch, 2.0, 60, 25.0)
    assert [moment for moment in found if moment > 0] == pytest.approx([10.0, 20.0])
    assert {round(b - a, 3) for a, b in pairwise(m for m in found if m <= 0)} == {2.0}


@pytest.mark.parametrize(("every_s", "next_s"), [(20.0, 30.0), (40.0, 60.0), (50.0, 60.0)])
def test_a_slow_pack_is_looked_at_once_a_message(
    monkeypatch: pytest.MonkeyPatch, every_s: float, next_s: float
) -> None:
    found = looks(monkeypatch, every_s, 60, 75.0)
    known = [moment for moment in found if moment > -10 * every_s]
    assert {round(b - a, 3) for a, b in pairwise(m for m in known if m <= 0)} == {every_s}
    # Then after one and a half of its intervals, or when it goes stale (60 s), which comes first.
    assert next(moment for moment in found if moment > 0) == pytest.approx(next_s, abs=0.001)


def test_until_its_rhythm_is_known_it_is_looked_at_every_ten_seconds(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = looks(monkeypatch, 40.0, 5, 0.0)
    assert {round(b - a, 3) for a, b in pairwise(found)} == {10.0}
