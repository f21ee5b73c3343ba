"""The accuracy tables are shown where the long tests run, not only where they fail."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def table_shown(
    request: pytest.FixtureRequest, capsys: pytest.CaptureFixture[str]
) -> Iterator[None]:
    yield
    if request.config.getoption("--full"):
        table = capsys.readouterr().out
        with capsys.disabled():
            print(table, end="")
