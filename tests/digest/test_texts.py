"""What a keeper reads of a digest: each situation has its approved text in `texts_approved/digest`.

After a change of wording that is meant, write them anew, and read every one that differs before it
is kept:

    WATCHD_APPROVE=1 python -m pytest tests/digest/test_texts.py
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.digest.facts import facts, pack, stands
from tests.digest.situations import SITUATIONS
from watchd.digest.record import digest
from watchd.digest.texts import MOST

APPROVED = Path(__file__).parents[1] / "texts_approved" / "digest"
APPROVE = "WATCHD_APPROVE" in os.environ


def test_each_text_has_a_situation() -> None:
    assert {p.stem for p in APPROVED.glob("*.txt")} == set(SITUATIONS)


@pytest.mark.parametrize("name", SITUATIONS)
def test_text(name: str) -> None:
    told = SITUATIONS[name]()
    record = digest(told)
    text = f"{record['title']}\n\n{record['message']}\n"
    approved = APPROVED / f"{name}.txt"
    if APPROVE:
        approved.write_text(text, encoding="utf-8")
    assert text == approved.read_text(encoding="utf-8")
    assert len(record["message"]) <= MOST[told.period]


@pytest.mark.parametrize("name", ["quiet-day", "quiet-week"])
def test_a_quiet_one_is_short(name: str) -> None:
    record = digest(SITUATIONS[name]())
    assert record["title"].endswith("nothing to do")
    assert len(record["message"].splitlines()) <= 2


def test_a_pack_of_which_an_alarm_stands_is_not_called_well() -> None:
    drifts = stands("balancer-not-coping/pack/alder", "alder: the cells keep drifting apart", 9)
    cell = stands("cell-high/cell/birch/7", "birch cell 7: 3.58 V", 9)
    packs = (pack("alder"), pack("birch"), pack("rowan"), pack("hazel", since_full_h=200.0))
    lines = digest(facts(*packs, standing=[drifts, cell]))["message"].splitlines()
    assert "rowan: well" in lines
