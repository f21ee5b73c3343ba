"""watchd's own silence: told once, and that it is back."""

from __future__ import annotations

from watchd.phone.vigil import Told, Vigil

RUNNING, STOPPED = {"state": "running"}, {"state": "stopped"}
LOST = {"state": "lost", "since": None}


def well() -> Vigil:
    vigil = Vigil(300, 0)
    vigil.link(0, stands=True)
    vigil.hears(RUNNING, 1)
    assert vigil.look(2) is None
    return vigil


def test_all_is_well() -> None:
    vigil = well()
    for minute in range(1, 100):
        vigil.hears(RUNNING, minute * 60)
        assert vigil.look(minute * 60 + 59) is None


def test_lost_is_told_once_and_the_return_once() -> None:
    vigil = well()
    vigil.hears(LOST, 100)
    assert vigil.look(399) is None
    word = vigil.look(400)
    assert word is not None
    assert (word.priority, word.title) == ("high", "watchd is not heard")
    assert "its link broke" in word.body
    assert vigil.look(9999) is None
    vigil.hears(RUNNING, 10_000)
    back = vigil.look(10_001)
    assert back is not None
    assert back.title == "watchd is back"
    assert vigil.look(10_002) is None


def test_a_short_loss_is_not_told() -> None:
    vigil = well()
    vigil.hears(LOST, 100)
    vigil.hears(RUNNING, 390)
    assert vigil.look(500) is None


def test_one_that_says_nothing_any_more() -> None:
    vigil = well()
    assert vigil.look(151) is None
    assert vigil.look(200) is None
    word = vigil.look(302)
    assert word is not None
    assert "says nothing any more" in word.body


def test_the_broker_is_away() -> None:
    vigil = well()
    vigil.link(10, stands=False)
    assert vigil.look(309) is None
    word = vigil.look(310)
    assert word is not None
    assert "the broker cannot be reached" in word.body
    vigil.link(400, stands=True)
    assert vigil.look(400) is None  # the broker alone is no watchd
    vigil.hears(RUNNING, 401)
    assert vigil.look(402) is not None


def test_the_silence_goes_on_over_a_return_of_the_broker() -> None:
    vigil = well()
    vigil.link(10, stands=False)
    vigil.link(200, stands=True)
    vigil.hears(LOST, 201)
    assert vigil.look(310) is not None


def test_stopped_on_purpose_is_told_softly_and_after_a_while() -> None:
    vigil = well()
    vigil.hears(STOPPED, 100)
    assert vigil.look(399) is None
    word = vigil.look(400)
    assert word is not None
    assert word.priority == "low"
    assert vigil.look(9999) is None


def test_a_restart_of_watchd_is_no_news() -> None:
    vigil = well()
    vigil.hears(STOPPED, 100)
    vigil.hears(RUNNING, 110)
    assert vigil.look(900 - 800 + 150) is None


def test_what_was_told_is_not_told_again_after_a_restart_of_the_bridge() -> None:
    vigil = Vigil(300, 0, Told.LOST)
    assert vigil.look(400) is None
    vigil.link(500, stands=True)
    vigil.hears(RUNNING, 500)
    word = vigil.look(501)
    assert word is not None
    assert word.title == "watchd is back"


def test_never_heard_from_the_start() -> None:
    vigil = Vigil(300, 0)
    assert vigil.look(299) is None
    assert vigil.look(300) is not None
