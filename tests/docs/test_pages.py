"""The pages in docs/: what they tell a keeper to type and to write is what there is."""

from __future__ import annotations

import configparser
import re
import shlex
from pathlib import Path

import pytest
import yaml

from watchd.commands import main
from watchd.config import Phone
from watchd.loading import load_config
from watchd.phone.replies import parse_reply
from watchd.phone.urls import parse_urls, untold

ROOT = Path(__file__).parents[2]
SMALL = "small-computer.md"
# Programs of Debian that the page may take for granted, with the words that may follow.
PROGRAMS: dict[str, set[str]] = {
    "apt-get": {"install"},
    "git": {"pull"},
    "journalctl": {"-u", "--disk-usage"},
    "python3": {"--version"},
    "sudoedit": {"/etc/watchd/config.yaml"},
    "systemctl": {"enable", "reload", "restart", "start", "status", "stop"},
    "tar": {"-czf"},
    "timedatectl": {"status"},
    "uname": {"-m"},
}
# Some of those in journald.conf(5).
JOURNAL_KEYS = {"Storage", "RuntimeMaxUse", "SystemMaxUse", "SyncIntervalSec"}


def blocks(page: str, language: str) -> list[str]:
    """Code blocks, also those that stand in a list."""
    text = (ROOT / "docs" / page).read_text("utf-8")
    found = re.findall(rf"^( *)```{language}\n(.*?)^\1```", text, re.MULTILINE | re.DOTALL)
    return [re.sub(rf"^{indent}", "", block, flags=re.MULTILINE) for indent, block in found]


def lines() -> list[list[str]]:
    """Each command of the page, without sudo."""
    found = [shlex.split(x) for block in blocks(SMALL, "sh") for x in block.splitlines() if x]
    return [words[1:] if words[0] == "sudo" else words for words in found]


def test_there_are_commands() -> None:
    assert len(lines()) > 15


@pytest.mark.parametrize("words", lines(), ids=" ".join)
def test_a_command_exists(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    program, *rest = words
    if program == "/opt/watchd/bin/watchd":
        # Options that exist: what fails is only the missing file.
        rest = [str(tmp_path / "none.yaml") if "config.yaml" in x else x for x in rest]
        assert main(rest) == 2
        assert "none.yaml: cannot be read: No such file" in capsys.readouterr().err
    elif "/" in program:
        assert (ROOT / program).is_file()
    else:
        assert rest[0] in PROGRAMS[program], " ".join(words)


def test_what_is_to_be_written_for_the_journal_is_of_its_keys() -> None:
    found = blocks(SMALL, "ini")
    assert len(found) == 2
    for block in found:
        parser = configparser.ConfigParser()
        parser.optionxform = str  # type: ignore[assignment, method-assign] # keys as they stand
        parser.read_string(block)
        assert set(parser["Journal"]) <= JOURNAL_KEYS


def test_the_files_that_it_names_are_those_of_the_unit_and_the_installer() -> None:
    text = (ROOT / "docs" / SMALL).read_text("utf-8")
    installer = (ROOT / "systemd" / "install.sh").read_text("utf-8")
    unit = (ROOT / "systemd" / "watchd.service").read_text("utf-8")
    for path in ("/opt/watchd", "/etc/watchd", "/etc/systemd/system"):
        assert path in text
        assert f"={path}\n" in installer
    assert "/var/lib/watchd/watchd.db" in text
    assert "StateDirectory=watchd\n" in unit
    assert "/run/watchd" in text
    assert "RuntimeDirectory=watchd\n" in unit


def test_what_it_quotes_of_the_log_is_said_there() -> None:
    text = (ROOT / "docs" / SMALL).read_text("utf-8")
    (quoted,) = re.findall(r'the log when the system\'s clock was \("([^"]+)"\)', text)
    assert f'"{quoted}"' in (ROOT / "watchd" / "shell" / "service.py").read_text("utf-8")


def test_the_page_on_the_phone_shows_a_config_and_urls_that_load(tmp_path: Path) -> None:
    (urls,) = blocks("phone.md", "text")
    assert len(parse_urls(urls, "phone.md")) == 4
    assert list(untold(parse_urls(urls, "phone.md"))) == []
    (shown,) = blocks("phone.md", "yaml")
    path = tmp_path / "config.yaml"
    path.write_text((ROOT / "config.example.yaml").read_text("utf-8") + shown, "utf-8")
    assert load_config(path).phone is not None


def test_the_replies_that_the_page_shows_are_understood() -> None:
    text = (ROOT / "docs" / "phone.md").read_text("utf-8")
    table = text.split("| reply | does |")[1].split("\n\n")[0]
    shown = [w for row in table.splitlines() for w in re.findall(r"`([^`]+)`", row.split(" | ")[0])]
    assert len(shown) == 7
    for reply in shown:
        parse_reply(reply.encode())


def test_the_section_phone_of_the_example_loads_and_shows_the_defaults() -> None:
    lines = (ROOT / "config.example.yaml").read_text("utf-8").splitlines()
    begin = lines.index("# phone:")
    block = [line[2:] for line in lines[begin : lines.index("", begin)]]
    shown = yaml.safe_load("\n".join(block))["phone"]
    found = Phone.model_validate(shown).model_dump(by_alias=True)
    plain = Phone.model_validate({"urls_file": shown["urls_file"]}).model_dump(by_alias=True)
    for key, value in plain.items():
        # Off by default, or with a default that depends on the prefix.
        if key not in ("quiet_hours", "replies"):
            assert found[key] == value, key
