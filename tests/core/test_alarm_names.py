"""Which alarm a person means by a name, and what is said where that is not clear."""

from __future__ import annotations

import pytest

from watchd.requests import RequestError, find_alarm

KEYS = {
    "spread/pack/alder": False,
    "spread/pack/birch": True,
    "spread/bank/hut": False,
    "cell-high/cell/alder/1": False,
    "cell-high/cell/alder/11": True,
    "full/service/watchd": False,
}
HUT = "spread/bank/hut"
CELLS = [f"cell-high/cell/alder/{number}" for number in range(1, 17)]


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("spread/pack/alder", "spread/pack/alder"),
        ("spread/alder", "spread/pack/alder"),
        ("alder/spread", "spread/pack/alder"),
        ("spread/pack/alder/", "spread/pack/alder"),
        # More than one, but only one is not normal.
        ("spread", "spread/pack/birch"),
        ("cell-high/alder", "cell-high/cell/alder/11"),
        ("cell-high/alder/1", "cell-high/cell/alder/1"),
        ("full", "full/service/watchd"),
        ("hut", "spread/bank/hut"),
        # Beginnings of words, where no whole ones fit.
        ("spr/al", "spread/pack/alder"),
        ("cell-hi", "cell-high/cell/alder/11"),
        ("serv", "full/service/watchd"),
    ],
)
def test_a_part_of_the_name_will_do_where_it_is_clear(name: str, key: str) -> None:
    assert find_alarm(name, KEYS) == key


@pytest.mark.parametrize(
    ("name", "keys", "error"),
    [
        (
            "spread",
            dict.fromkeys(KEYS, False),
            f"'spread' can be more than one alarm: spread/pack/alder, spread/pack/birch, {HUT}",
        ),
        (
            "cell-high",
            dict.fromkeys(CELLS, True),
            f"'cell-high' can be more than one alarm: {', '.join(CELLS[:5])} ...",
        ),
        ("sprad/alder", KEYS, "no alarm is called 'sprad/alder'; did you mean "),
        ("pread", KEYS, "no alarm is called 'pread'; "),
        ("", KEYS, "no alarm is called ''; "),
        ("/", KEYS, "no alarm is called '/'; "),
    ],
)
def test_a_name_that_is_not_clear_is_refused(name: str, keys: dict[str, bool], error: str) -> None:
    with pytest.raises(RequestError) as refused:
        find_alarm(name, keys)
    assert str(refused.value).startswith(error)
