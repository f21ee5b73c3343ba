"""What README says that a bridge sends becomes the sources that README shows."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.proposal.minute import minute
from watchd.commands.setup_texts import proposal_lines
from watchd.proposal.config_text import Around, config_text
from watchd.proposal.mapped import Proposal
from watchd.proposal.overheard import Overheard
from watchd.proposal.propose import propose

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


def readmes() -> Proposal:
    overheard = Overheard()
    for t in minute(["alder", "birch"]):
        document = {
            "volts": round(t.voltage_v, 1),
            "amps_out": round(-t.current_a, 1),
            "soc": round(t.soc_pct),
            "mv": t.mv(),
            "temp": round(t.degc[0]),
        }
        overheard.take(f"hut/{t.name}/state", json.dumps(document).encode(), t.at)
    return propose(overheard)


def test_the_sources_are_readmes() -> None:
    shown: Any = yaml.safe_load(
        re.findall(r"^```yaml\n(.*?)^```", README, re.MULTILINE | re.DOTALL)[0]
    )
    proposed = yaml.safe_load(config_text(readmes(), Around()))
    assert proposed["sources"] == shown["sources"]
    assert list(proposed["banks"]) == list(shown["banks"])
    assert list(proposed["packs"]) == list(shown["packs"])


def test_the_table_is_readmes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    lines = list(proposal_lines(readmes(), ()))
    shown = re.search(r"^Pack alder.*?^```", README, re.MULTILINE | re.DOTALL)
    assert shown is not None
    block = shown[0].splitlines()[:-1]
    assert len(block) > 5
    assert [line for line in block if line not in lines] == []
