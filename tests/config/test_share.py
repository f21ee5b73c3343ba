"""Which daemon watches a bank: evenly, with few moves, and the same on every machine."""

from __future__ import annotations

from collections import Counter

import pytest

from tests.scene import config_of
from watchd.config import instance_of, of_instance
from watchd.errors import WatchdError

BANKS = [f"site-{number:04d}" for number in range(4000)]


def test_the_answer_of_today_is_that_of_tomorrow() -> None:
    """Fixed vectors: the highest BLAKE2b-64 (RFC 7693) of `INSTANCE/BANK`, worked out apart by
    b2sum of coreutils (`printf 3/hut | b2sum -l 64`).
    """
    assert {b: instance_of(b, 4) for b in VECTORS} == VECTORS


VECTORS = {"hut": 1, "cabin": 3, "lodge": 4, "pier": 2, "mill": 1, "north-04": 1}


@pytest.mark.parametrize("of", [1, 2, 3, 8])
def test_banks_are_shared_evenly(of: int) -> None:
    counts = Counter(instance_of(bank, of) for bank in BANKS)
    assert set(counts) == set(range(1, of + 1))
    fair = len(BANKS) / of
    # Binomial: within five standard deviations of a fair share.
    deviation = (len(BANKS) * (1 / of) * (1 - 1 / of)) ** 0.5
    assert all(abs(count - fair) <= 5 * deviation for count in counts.values())


@pytest.mark.parametrize("of", [1, 2, 4, 9])
def test_one_instance_more_takes_its_part_and_nothing_else_moves(of: int) -> None:
    before = {bank: instance_of(bank, of) for bank in BANKS}
    after = {bank: instance_of(bank, of + 1) for bank in BANKS}
    moved = {bank for bank in BANKS if before[bank] != after[bank]}
    assert {after[bank] for bank in moved} == {of + 1}
    assert len(moved) == pytest.approx(len(BANKS) / (of + 1), rel=0.2)


MANY = """
banks:
  north: {charge_voltage_v: 56.0}
  south: {charge_voltage_v: 56.0}
  east: {charge_voltage_v: 56.0}
packs:
  a: {bank: north, nameplate_ah: 200, max_charge_a: 100}
  b: {bank: south, nameplate_ah: 200, max_charge_a: 100}
  c: {bank: east, nameplate_ah: 200, max_charge_a: 100}
share: {of: 2}
store: {path: /var/lib/watchd/watchd.db}
phone: {urls_file: urls, queue: phone.db}
sources:
  - {topic: "x/{pack}/volts", value: voltage_v}
  - {topic: x/a/amps, pack: a, value: current_a}
  - {topic: x/b/amps, pack: b, value: current_a}
  - {topic: x/c/amps, pack: c, value: current_a}
"""


def test_each_daemon_has_its_banks_and_names_of_its_own() -> None:
    whole = config_of(MANY)
    parts = [of_instance(whole, instance) for instance in (1, 2)]
    assert sorted(b for part in parts for b in part.banks) == ["east", "north", "south"]
    for number, part in enumerate(parts, 1):
        assert {pack.bank for pack in part.packs.values()} == set(part.banks)
        own = {s.pack for s in part.sources if s.pack is not None}
        assert own == set(part.packs)
        assert part.prefix == f"watchd/{number}"
        assert part.store.path == f"/var/lib/watchd/watchd-{number}.db"
        assert part.phone is not None
        assert part.phone.queue == f"phone-{number}.db"


@pytest.mark.parametrize(
    ("text", "instance", "says"),
    [
        (MANY, 3, "instance 3 is none of 1 to 2"),
        (MANY, 0, "instance 0 is none of 1 to 2"),
        (MANY.replace("share: {of: 2}", ""), 1, "see share:"),
        (MANY.replace("of: 2", "of: 900"), 5, "no bank falls to instance 5 of 900"),
    ],
)
def test_a_daemon_that_cannot_be_is_refused(text: str, instance: int, says: str) -> None:
    with pytest.raises(WatchdError, match=says):
        of_instance(config_of(text), instance)
