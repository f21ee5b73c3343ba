"""Numbers to bytes and back, and bytes that are none of ours."""

from __future__ import annotations

import zlib
from random import Random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from watchd.history.series import LARGEST, MOST_BYTES, DamagedBlockError, Reader, Writer

STEADY = settings(deadline=None, derandomize=True, database=None, max_examples=200)
HEAD = b"t\x01"
numbers = st.lists(st.integers(-LARGEST, LARGEST), max_size=50) | st.lists(
    st.integers(-300, 300), max_size=300
)


def there_and_back(values: list[int]) -> list[int]:
    writer = Writer()
    writer.series(values)
    reader = Reader(writer.packed(HEAD), HEAD)
    found = reader.series(len(values))
    reader.end()
    return found


@STEADY
@given(numbers)
@example([0])
@example([7] * 1000)
@example([-LARGEST, LARGEST])
@example([10 * n for n in range(500)])
@example([0, 128, 0, -128, 65536, 0, 2**32])
def test_there_and_back(values: list[int]) -> None:
    assert there_and_back(values) == values


def test_what_does_not_change_takes_no_room() -> None:
    writer = Writer()
    writer.series([5] * 10_000)
    assert len(writer.packed(HEAD)) < 20


@pytest.mark.parametrize("values", [[10 * (n % 5) for n in range(600)], list(range(600))])
def test_steps_of_a_coarse_sensor_and_a_drift_are_small(values: list[int]) -> None:
    writer = Writer()
    writer.series(values)
    assert len(writer.packed(HEAD)) < 40


def test_noise_takes_no_more_than_it_must() -> None:
    rng = Random(1)
    writer = Writer()
    writer.series([rng.randrange(16) for _ in range(4000)])
    # 16 values are 4 bits; the differences between two would take 4.7.
    assert len(writer.packed(HEAD)) < 4000 * 4.3 / 8


@pytest.mark.parametrize("values", [[0, 1001], [-1, 5]])
def test_numbers_outside_what_can_be_are_refused(values: list[int]) -> None:
    writer = Writer()
    writer.series(values)
    reader = Reader(writer.packed(HEAD), HEAD)
    with pytest.raises(DamagedBlockError, match="a series is not within 0 to 1000"):
        reader.series(2, 0, 1000)


def test_another_layout_is_refused_in_words() -> None:
    with pytest.raises(
        DamagedBlockError, match=r"a block of layout b't\\x01' begins with b't\\x02'"
    ):
        Reader(b"t\x02" + zlib.compress(b"\0"), HEAD)


def test_a_bomb_is_not_unpacked() -> None:
    bomb = HEAD + zlib.compress(b"\0" * (20 * MOST_BYTES), 9)
    assert len(bomb) < 200_000
    with pytest.raises(DamagedBlockError, match="too large"):
        Reader(bomb, HEAD)


@STEADY
@given(st.binary(max_size=60), st.integers(0, 100))
def test_any_body_gives_numbers_or_the_one_exception(body: bytes, asked: int) -> None:
    reader = Reader(HEAD + zlib.compress(body), HEAD)
    try:
        found = reader.series(asked, -1000, 1000)
    except DamagedBlockError:
        return
    assert len(found) == asked
    assert all(-1000 <= v <= 1000 for v in found)
