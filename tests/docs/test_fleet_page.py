"""docs/fleet.md: what it shows to write and to type is what there is."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from tests.packaging.test_unit import ROOT, UNIT, settings
from watchd.commands import build_parser
from watchd.config import of_instance
from watchd.loading import load_config

PAGE = (ROOT / "docs" / "fleet.md").read_text("utf-8")
TEMPLATE = ROOT / "systemd" / "watchd@.service"


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """The files of the page, where their first lines say."""
    config, *rest = blocks("yaml")
    more = [block for block in rest if not block.startswith("# /etc")]
    (tmp_path / "config.yaml").write_text(config + "".join(more), "utf-8")
    (tmp_path / "banks").mkdir()
    for block in rest:
        if block.startswith("# /etc/watchd/banks/"):
            name = block.splitlines()[0].rpartition("/")[2]
            (tmp_path / "banks" / name).write_text(block, "utf-8")
    return tmp_path / "config.yaml"


def test_its_files_load(written: Path) -> None:
    config = load_config(written)
    assert set(config.banks) == {"north-04", "south"}
    assert {n for n, p in config.packs.items() if p.in_service} == {
        "north-04.alder",
        "north-04.birch",
        "south.alder",
        "south.rowan",
    }
    assert config.banks["south"].topic_name == "SN-0017"
    assert config.share is not None
    assert config.store.postgresql is not None


def test_topics_and_files_are_named_as_it_says(written: Path) -> None:
    config = load_config(written)
    (number,) = {n for n in range(1, 5) if "north-04" in _banks(written, n)}
    own = of_instance(config, number)
    assert own.prefix == f"watchd/{number}"
    assert own.store.path == f"/var/lib/watchd/watchd-{number}.db"


def _banks(path: Path, instance: int) -> list[str]:
    try:
        return list(load_config(path, instance).banks)
    except Exception:  # noqa: BLE001 - two banks of four daemons: some have none
        return []


def test_its_commands_are_understood() -> None:
    found = re.findall(r"`(watchd (?:check|replay|alarms|bridge)[^`]+)`", PAGE)
    found += [line for block in blocks("sh") for line in block.splitlines() if "watchd run" in line]
    assert len(found) >= 5
    for command in found:
        build_parser().parse_args(shlex.split(command)[1:])


def test_the_template_is_the_unit_but_for_what_is_said() -> None:
    one, many = settings(UNIT), settings(TEMPLATE)
    differ = {key for key in one.keys() | many.keys() if one.get(key) != many.get(key)}
    assert differ == {"Environment", "User", "RuntimeDirectory", "MemoryMax"}
    assert many["Environment"] == ["WATCHD_INSTANCE=%i", *one["Environment"]]
