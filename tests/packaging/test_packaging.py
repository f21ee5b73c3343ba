"""What a user gets from `pip install watchd` is what this checkout holds, and it is pinned."""

import os
import re
import subprocess
import sys
import sysconfig
import tomllib
import zipfile
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import NormalizedName, canonicalize_name

import watchd

ROOT = Path(__file__).resolve().parents[2]
# tests/run.sh names the wheel that it built and installed.
WHEEL = os.environ.get("WATCHD_TEST_WHEEL")

only_from_wheel = pytest.mark.skipif(
    not WHEEL, reason="tests/run.sh builds the wheel and installs it; this run has another watchd"
)


@pytest.fixture(scope="module")
def pyproject() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def pins() -> dict[NormalizedName, str]:
    """The versions in constraints.txt, by normalised name."""
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pairs = [line.partition("==")[::2] for line in lines if line and not line.startswith("#")]
    return {canonicalize_name(name): version for name, version in pairs}


@pytest.fixture(scope="module")
def wheel_files() -> dict[str, bytes]:
    """The wheel's files, by name."""
    with zipfile.ZipFile(Path(WHEEL or "")) as wheel:
        return {name: wheel.read(name) for name in wheel.namelist()}


def test_the_version_is_said_once_and_the_same() -> None:
    assert metadata.version("watchd") == watchd.__version__


def test_the_changelog_knows_this_version() -> None:
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert re.search(rf"^## .*\b{re.escape(watchd.__version__)}\b", changelog, re.MULTILINE)


def test_the_licence_is_declared_and_enclosed() -> None:
    about = metadata.metadata("watchd")
    assert about["License-Expression"] == "Apache-2.0"
    assert about.get_all("License-File") == ["LICENSE"]
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "Apache License" in text
    assert "END OF TERMS AND CONDITIONS" in text


@pytest.mark.parametrize(
    ("version", "fits"),
    [
        ("3.10", False),
        ("3.11", True),
        ("3.12", True),
        ("3.13", True),
        ("3.14", True),
        ("3.15", False),
    ],
)
def test_the_python_range(version: str, fits: bool) -> None:
    assert (version in SpecifierSet(metadata.metadata("watchd")["Requires-Python"])) is fits


def test_the_python_range_is_the_same_in_the_classifiers(pyproject: dict[str, Any]) -> None:
    prefix = "Programming Language :: Python :: 3."
    named = [c for c in pyproject["project"]["classifiers"] if c.startswith(prefix)]
    assert named == [f"{prefix}{minor}" for minor in (11, 12, 13, 14)]


@only_from_wheel
def test_these_tests_run_against_the_installed_package() -> None:
    assert Path(watchd.__file__).is_relative_to(sysconfig.get_path("purelib"))


@only_from_wheel
def test_the_wheel_holds_every_module_and_the_type_marker(wheel_files: dict[str, bytes]) -> None:
    modules = {str(path.relative_to(ROOT)) for path in (ROOT / "watchd").rglob("*.py")}
    assert modules <= wheel_files.keys()
    assert "watchd/py.typed" in wheel_files


@only_from_wheel
def test_the_wheel_holds_the_shipped_rules_and_the_example(wheel_files: dict[str, bytes]) -> None:
    sources = [ROOT / "config.example.yaml", *sorted((ROOT / "rules").rglob("*.yaml"))]
    assert len(sources) > 1, "there are no rules to ship"
    for source in sources:
        shipped = wheel_files[f"watchd/_shipped/{source.relative_to(ROOT)}"]
        assert shipped == source.read_bytes(), f"{source} differs in the wheel"


@only_from_wheel
def test_the_wheel_holds_nothing_else(wheel_files: dict[str, bytes]) -> None:
    tops = {name.partition("/")[0] for name in wheel_files}
    assert tops == {"watchd", f"watchd-{watchd.__version__}.dist-info"}


def test_the_command_is_installed_and_helps() -> None:
    command = Path(sys.executable).parent / "watchd"
    done = subprocess.run([command, "--help"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.lower().startswith("usage: watchd")
    assert done.stderr == ""


UNPINNED = ("reference", "bench")


def requirements(pyproject: dict[str, Any]) -> list[Requirement]:
    """All that pyproject.toml asks for: to run, for each extra, and to build.

    But for `reference`, 790 MB that only remake the data of the cell model, which are in the tree,
    and `bench`, what the rule language is measured against: its newest is wanted.
    """
    project = pyproject["project"]
    named = project["optional-dependencies"].items()
    extras = [line for extra, lines in named if extra not in UNPINNED for line in lines]
    lines = project["dependencies"] + extras + pyproject["build-system"]["requires"]
    return [req for req in map(Requirement, lines) if req.name != "watchd"]


def test_every_dependency_is_pinned_within_its_range(
    pyproject: dict[str, Any], pins: dict[NormalizedName, str]
) -> None:
    for requirement in requirements(pyproject):
        pin = pins.get(canonicalize_name(requirement.name))
        assert pin is not None, f"{requirement.name} is not in constraints.txt: scripts/lock.sh"
        assert pin in requirement.specifier, f"{requirement} does not admit the pinned {pin}"


def test_the_build_backend_is_one_version_in_both_places(
    pyproject: dict[str, Any], pins: dict[NormalizedName, str]
) -> None:
    pin = pins[canonicalize_name("hatchling")]
    assert pyproject["build-system"]["requires"] == [f"hatchling=={pin}"]


@only_from_wheel
def test_all_that_is_installed_here_is_pinned(pins: dict[NormalizedName, str]) -> None:
    """Not only what pyproject.toml names: what that brings along is pinned as well."""
    installed = {canonicalize_name(d.name): d.version for d in metadata.distributions()}
    not_pinned = installed.items() - pins.items()
    assert {name for name, _ in not_pinned} <= {"watchd", "pip", "setuptools"}


@pytest.mark.parametrize(
    "name",
    [
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "LICENSE",
        "config.example.yaml",
        "constraints.txt",
        "demo/run.sh",
        "tests/run.sh",
        "systemd/watchd.service",
        "systemd/install.sh",
        "scripts/check",
        "scripts/test",
    ],
)
def test_what_a_reader_looks_for_is_there(name: str) -> None:
    path = ROOT / name
    assert path.is_file()
    if path.suffix == ".sh" or path.parent.name == "scripts":
        assert os.access(path, os.X_OK), f"{name} can't be executed"
