"""The inputs since the last save, in a folder that outlives the process."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from watchd.shell import spool as spools
from watchd.shell.inputs import Fed, Input, Ticked
from watchd.shell.spool import Spool, spool_folder


def ticks(*numbers: int) -> list[Input]:
    return [Ticked(float(n)) for n in numbers]


def left_by(folder: Path, *rounds: list[Input]) -> None:
    """A process that begins anew before each round, and is killed after the last."""
    spool = Spool(folder)
    for inputs in rounds:
        spool.begin_anew()
        for given in inputs:
            spool.add(given)
    spool.close()


def test_all_that_was_added_is_read_again_from_any_number_on(tmp_path: Path) -> None:
    left_by(tmp_path, ticks(1, 2, 3), ticks(4, 5), [])
    for after in range(6):
        spool = Spool(tmp_path)
        assert list(spool.read(after)) == ticks(*range(after + 1, 6))
        assert spool.last == 5
        spool.close()


def test_what_a_saved_state_holds_goes_by_whole_files(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    for inputs in (ticks(1, 2), ticks(3, 4), ticks(5)):
        spool.begin_anew()
        for given in inputs:
            spool.add(given)
    spool.forget(3)
    assert list(spool.read(0)) == []  # 1 and 2 are gone, so nothing follows on 0
    assert list(spool.read(2)) == ticks(3, 4, 5)
    spool.forget(4)
    assert list(spool.read(3)) == []
    assert list(spool.read(4)) == ticks(5)
    spool.clear()
    assert not list(tmp_path.glob("*.inputs"))


@pytest.mark.parametrize("cut", [0, 1, 17, 18, 40])
def test_inputs_that_came_together_are_kept_as_far_as_they_were_written(
    tmp_path: Path, cut: int
) -> None:
    spool = Spool(tmp_path)
    spool.begin_anew()
    spool.add(Ticked(1.0))
    spool.add(*ticks(2, 3, 4))
    assert spool.last == 4
    spool.close()
    (path,) = tmp_path.glob("*.inputs")
    os.truncate(path, path.stat().st_size - cut)
    whole = 4 - -(-cut // 17)  # a tick takes 17 bytes
    assert list(Spool(tmp_path).read(0)) == ticks(1, 2, 3, 4)[:whole]


@pytest.mark.parametrize("cut", [1, 5, 8, 12, 16])
def test_a_torn_last_input_is_left_out(tmp_path: Path, cut: int) -> None:
    left_by(tmp_path, ticks(1, 2, 3))
    (path,) = tmp_path.glob("*.inputs")
    os.truncate(path, path.stat().st_size - cut)
    spool = Spool(tmp_path)
    assert list(spool.read(0)) == ticks(1, 2)
    # What comes then follows on what was read.
    spool.begin_anew()
    spool.add(Ticked(9.0))
    assert list(spool.read(0)) == ticks(1, 2, 9)


def test_after_a_changed_byte_nothing_is_believed(tmp_path: Path) -> None:
    left_by(tmp_path, ticks(1, 2, 3))
    (path,) = tmp_path.glob("*.inputs")
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 1
    path.write_bytes(raw)
    assert list(Spool(tmp_path).read(0)) == ticks(1)


def test_a_second_watchd_keeps_its_hands_off(tmp_path: Path) -> None:
    first, second = Spool(tmp_path), Spool(tmp_path)
    assert first.folder == tmp_path
    assert second.folder is None
    second.begin_anew()
    second.add(Ticked(1.0))
    assert second.last == 1
    assert not list(tmp_path.glob("*.inputs"))


def test_an_input_that_kills_is_left_out_after_two_starts(tmp_path: Path) -> None:
    for attempt in (1, 2, 3):
        spool = Spool(tmp_path)
        assert spool.attempts() == attempt
        spool.close()
    spool = Spool(tmp_path)
    spool.was_read()
    assert spool.attempts() == 1


def test_it_is_bounded_and_a_hole_is_never_read_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spools, "MOST_BYTES", 10_000)
    spool = Spool(tmp_path)
    spool.begin_anew()
    big = Fed(1.0, "hut/alder/state", b"x" * 1000)
    for n in range(100):
        spool.add(big)
        assert spool.is_full is (9 <= n < 19)
    kept = len(list(spool.read(0)))
    assert kept < 25
    assert sum(p.stat().st_size for p in tmp_path.glob("*.inputs")) < 30_000
    spool.last = 100
    spool.begin_anew()  # the state that is saved now holds all hundred
    spool.add(Ticked(2.0))
    assert len(list(spool.read(0))) == kept
    assert list(spool.read(100)) == [Ticked(2.0)]


def test_without_a_folder_it_counts() -> None:
    spool = Spool(None)
    spool.begin_anew()
    spool.add(Ticked(1.0))
    spool.forget(1)
    assert (spool.last, list(spool.read(1)), spool.attempts()) == (1, [], 1)
    spool.clear()
    spool.close()


def test_a_folder_that_refuses(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert Spool(tmp_path / "file" / "spool").folder is None


def test_where_it_lies() -> None:
    store = "/var/lib/watchd/watchd.db"
    service = {"RUNTIME_DIRECTORY": "/run/watchd:/run/other", "XDG_RUNTIME_DIR": "/run/user/1"}
    assert spool_folder(store, service) == Path("/run/watchd/spool")
    at_home = {"XDG_RUNTIME_DIR": "/run/user/1"}
    assert str(spool_folder(store, at_home)).startswith("/run/user/1/watchd/")
    assert spool_folder(store, at_home) != spool_folder("other.db", at_home)
    assert spool_folder(store, {}) is None
