"""The file of URLs, and what is never said of it."""

from __future__ import annotations

import pytest

from watchd.errors import WatchdError
from watchd.phone.urls import parse_urls, untold

SECRET = "s3cret-that-is-nowhere-else"


def test_urls_with_and_without_priorities() -> None:
    text = (
        f"# phone\n\njson://{SECRET}/x\ncritical high: form://h/{SECRET}\n  Low, medium: json://b\n"
    )
    every, some, rest = parse_urls(text, "urls")
    assert (every.url, every.line) == (f"json://{SECRET}/x", 3)
    assert every.priorities == {"critical", "high", "medium", "low"}
    assert some.priorities == {"critical", "high"}
    assert rest.priorities == {"low", "medium"}
    assert some.shown == "line 4 (form://)"
    assert SECRET not in repr(every) + every.shown + str(some)


def test_a_priority_that_nobody_gets() -> None:
    assert list(untold(parse_urls("critical high: json://a", "urls"))) == ["medium", "low"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "urls: no URL stands here"),
        ("# nothing\n", "urls: no URL stands here"),
        (SECRET, "urls:1: this is no URL"),
        (f"\njson://a {SECRET}", "urls:2: this is no URL"),
        (f"hgih: json://{SECRET}", "urls:1: 'hgih' is no priority; did you mean 'high'?"),
        (f"json://{SECRET}\njson://{SECRET}", "urls:2: this URL stands in the file twice"),
        (f"json://{SECRET}" + "x" * 5000, "urls:1: this is no URL"),
    ],
)
def test_what_is_wrong_is_said_without_the_secret(text: str, says: str) -> None:
    with pytest.raises(WatchdError) as error:
        parse_urls(text, "urls")
    assert says in str(error.value)
    assert SECRET not in str(error.value)
