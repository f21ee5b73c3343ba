"""Files and folders that cannot be read, and rules spread over several files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from watchd import load
from watchd.errors import WatchdError
from watchd.loading import MOST_FILES, load_rules, rule_files

HERE = Path(__file__).parent
RULE = "- {rule: own, when: current_a > 1, priority: low, say: look}\n"


def empty_folder(folder: Path) -> None:
    folder.mkdir()


def folder_of_other_things(folder: Path) -> None:
    folder.mkdir()
    (folder / "notes.txt").write_text("x")
    (folder / ".hidden.yaml").write_text("x")


def too_many(folder: Path) -> None:
    folder.mkdir()
    for number in range(MOST_FILES + 1):
        (folder / f"{number}.yaml").write_text("")


@pytest.mark.parametrize(
    ("make", "name", "what"),
    [
        (None, "rules", "rules: there is no such folder of rules"),
        (None, "x" * 300, f"{'x' * 300}: cannot be read: File name too long"),
        (empty_folder, "rules", "rules: no rules: the folder holds no .yaml file"),
        (folder_of_other_things, "rules", "rules: no rules: the folder holds no .yaml file"),
        (too_many, "rules", f"rules: more than {MOST_FILES} files of rules"),
    ],
)
def test_a_folder_of_rules_that_is_none(
    make: Callable[[Path], None] | None,
    name: str,
    what: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    if make is not None:
        make(tmp_path / name)
    config = (HERE / "hut.yaml").read_text(encoding="utf-8")
    Path("config.yaml").write_text(config.replace("rules: rules/", f"rules: {name}"))
    with pytest.raises(WatchdError) as caught:
        load("config.yaml")
    assert str(caught.value) == what


def test_a_config_that_is_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(WatchdError) as caught:
        load("config.yaml")
    assert str(caught.value) == "config.yaml: cannot be read: No such file or directory"


def test_mistakes_of_config_and_rules_are_told_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    config = (HERE / "hut.yaml").read_text(encoding="utf-8")
    Path("config.yaml").write_text(config.replace("full_when: voltage_v", "full_when: voltage"))
    Path("rules").mkdir()
    Path("rules/b.yaml").write_text(RULE.replace("current_a", "curent_a"))
    Path("rules/a.yaml").write_text(RULE + RULE.replace("look", "'{x}'"))
    with pytest.raises(WatchdError) as caught:
        load("config.yaml")
    places = [str(problem.place) for problem in caught.value.problems]
    assert places == ["config.yaml:6:16", "rules/a.yaml:2:58", "rules/b.yaml:1:21"]


def test_the_same_name_in_two_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("a.yaml", "b.yml"):
        Path(name).write_text(RULE)
    with pytest.raises(WatchdError) as caught:
        load_rules(Path())
    assert [p.what for p in caught.value.problems] == [
        "a rule called 'own' is already at a.yaml:1:10"
    ]
    assert rule_files(Path()) == [Path("a.yaml"), Path("b.yml")]


def test_an_error_of_the_config_names_it_as_it_was_called(tmp_path: Path) -> None:
    path = tmp_path / "config.yaml"
    path.write_text("banks: [\n}")
    with pytest.raises(WatchdError) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:2:1: ")
