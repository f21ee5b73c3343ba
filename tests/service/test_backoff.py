"""How long the daemon waits before it tries again."""

from __future__ import annotations

from watchd.shell.mqtt.backoff import FIRST_S, LASTING_S, LONGEST_S, Backoff


class Timer:
    """A clock that a test sets."""

    seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


def test_it_grows_and_is_capped() -> None:
    backoff = Backoff()
    expected = FIRST_S
    for _ in range(20):
        assert 0.6 * expected <= backoff.wait_s() <= expected
        expected = min(2 * expected, LONGEST_S)
    assert expected == LONGEST_S


def test_clients_do_not_come_in_step() -> None:
    assert len({Backoff().wait_s() for _ in range(20)}) > 1


def test_it_begins_anew_after_a_link_that_lasted() -> None:
    timer = Timer()
    backoff = Backoff(timer)
    waits = [backoff.wait_s() for _ in range(5)]
    assert waits[-1] > FIRST_S
    backoff.linked()
    timer.seconds += LASTING_S
    assert backoff.wait_s() <= FIRST_S


def test_a_link_that_breaks_at_once_is_no_success() -> None:
    timer = Timer()
    backoff = Backoff(timer)
    waits = []
    for _ in range(10):
        backoff.linked()
        assert backoff.was_linked
        timer.seconds += 1
        waits.append(backoff.wait_s())
        assert not backoff.was_linked
    assert waits[-1] >= 0.6 * LONGEST_S
