"""The table of faults: what each cost the service. Runs all tests that give a row, the
long ones too (a quarter of an hour); run it from the project's root with
`python -m tests.bench.faults [ARGUMENTS OF PYTEST]`.
"""

from __future__ import annotations

import io
import sys
from contextlib import redirect_stdout

import pytest

from tests.service.faults.table import table_of

WHERE = (
    "tests/service/faults",
    "tests/service/test_fuzz_wire.py",
    "tests/service/test_reload.py",
    "tests/service/test_rules_edited.py",
)


class Reports:
    """Keeps what pytest tells of each test."""

    def __init__(self) -> None:
        self.all: list[pytest.TestReport] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """As pytest calls it."""
        self.all.append(report)


def main(arguments: list[str]) -> int:
    """Run, and print the table alone, or what pytest says where a test fails."""
    reports, told = Reports(), io.StringIO()
    with redirect_stdout(told):
        code = pytest.main([*WHERE, "--full", *arguments], plugins=[reports])
    if code != pytest.ExitCode.OK:
        print(told.getvalue())
    else:
        print("\n".join(table_of(reports.all)))
    return int(code)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
