"""The accuracy tables are shown where the long tests run, not only where they fail."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest


@pytest.fixture(autouse=True)
def table_shown(
    request: pytest.FixtureRequest,
    capsys: pytest.CaptureFixture[str],
    record_property: Callable[[str, object], None],
) -> Iterator[None]:
    yield
    if request.config.getoption("--full") and (table := capsys.readouterr().out):
        record_property("shown", table)
