"""What every test shares: which watchd is tested, the long tests, the broker that may be absent."""

import os
import shutil
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# At the end: `demo` and `tests` come from the checkout, but watchd from where it is installed. The
# source tree serves only where none is installed.
if str(ROOT) not in sys.path:
    sys.path.append(str(ROOT))

from tests.service.faults.table import table_of  # noqa: E402 # only now it is found
from watchd import figures  # noqa: E402

IS_COMPILED = Path(figures.__file__).suffix != ".py"


def find_mosquitto() -> Path | None:
    """Where the broker is; Debian keeps it in a folder that an ordinary user's PATH leaves out."""
    folders = [os.environ.get("PATH", os.defpath), "/usr/local/sbin", "/usr/sbin"]
    found = shutil.which("mosquitto", path=os.pathsep.join(folders))
    return Path(found) if found else None


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="run the tests marked 'long' too")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """What tests have to show, in whatever process they ran: tables, and that of the faults."""
    found = [r for kind in terminalreporter.stats.values() for r in kind]
    reports = [r for r in found if isinstance(r, pytest.TestReport)]
    for report in reports:
        for name, text in report.user_properties:
            if report.when == "teardown" and name == "shown":
                terminalreporter.section(report.nodeid)
                terminalreporter.write_line(str(text))
    if lines := table_of(reports):
        terminalreporter.section("faults")
        for line in lines:
            terminalreporter.write_line(line)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not config.getoption("--full"):
        config.hook.pytest_deselected(
            items=[item for item in items if item.get_closest_marker("long")]
        )
        items[:] = [item for item in items if not item.get_closest_marker("long")]
    if IS_COMPILED:
        for item in items:
            if item.get_closest_marker("interpreted"):
                item.add_marker(pytest.mark.skip(reason="looks into what is compiled here"))
    if find_mosquitto() is None:
        for item in items:
            if item.get_closest_marker("broker"):
                item.add_marker(pytest.mark.skip(reason="no mosquitto on this machine"))
    if shutil.which("chromium") is None or shutil.which("chromedriver") is None:
        for item in items:
            if item.get_closest_marker("browser"):
                item.add_marker(pytest.mark.skip(reason="no chromium with its driver here"))


@pytest.fixture(scope="session")
def mosquitto_path() -> Path:
    """The broker's program; a test that asks for it carries the mark `broker`."""
    found = find_mosquitto()
    if found is None:
        pytest.skip("no mosquitto on this machine")
    return found
