"""The file of URLs: which URL gets which priorities. A URL is a secret, and in no text of here."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from watchd.errors import Place, Problem, WatchdError, nearest
from watchd.phone.notice import PRIORITIES

MOST_URLS = 50
LONGEST_URL = 4000
_LINE = re.compile(
    r"(?:(?P<for>[A-Za-z][A-Za-z, \t]*):[ \t]+)?(?P<url>[A-Za-z][A-Za-z0-9+.-]*://\S+)"
)
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*(?=://)")


@dataclass(frozen=True, slots=True)
class Url:
    """Where messages go, and those of which priorities; `line` in the file, from 1."""

    line: int
    url: str = field(repr=False)
    priorities: frozenset[str] = frozenset(PRIORITIES)

    @property
    def shown(self) -> str:
        """What may be shown of it: the line and the scheme. With many a service even what stands
        where others have a host is a key.
        """
        scheme = _SCHEME.match(self.url)
        return f"line {self.line} ({scheme[0].lower() if scheme else '?'}://)"


def parse_urls(text: str, source: str) -> tuple[Url, ...]:
    """The URLs of a file: one a line, with the priorities that it is for in front.

        # a comment
        scheme://all/of/them
        critical high: scheme://only/these

    Raises WatchdError, with the line but never with what stands in it.
    """
    found: list[Url] = []
    problems: list[Problem] = []
    for number, line in enumerate(text.splitlines(), 1):
        words = line.strip()
        if not words or words.startswith("#"):
            continue
        match = _LINE.fullmatch(words)
        if match is None or len(words) > LONGEST_URL:
            what = (
                "this is no URL such as scheme://..., with or without `critical high: ` before it"
            )
            problems.append(Problem(what, Place(source, number)))
            continue
        wrong = [p for p in _words(match["for"]) if p not in PRIORITIES]
        if wrong:
            what = f"'{wrong[0][:20]}' is no priority; {nearest(wrong[0], PRIORITIES)}"
            problems.append(Problem(what, Place(source, number)))
            continue
        if any(url.url == match["url"] for url in found):
            problems.append(Problem("this URL stands in the file twice", Place(source, number)))
            continue
        found.append(Url(number, match["url"], frozenset(_words(match["for"]) or PRIORITIES)))
    if not problems and not found:
        problems.append(Problem("no URL stands here", Place(source)))
    if len(found) > MOST_URLS:
        problems.append(Problem(f"more than {MOST_URLS} URLs", Place(source)))
    if problems:
        raise WatchdError(problems)
    return tuple(found)


def untold(urls: tuple[Url, ...]) -> Iterator[str]:
    """The priorities that no URL gets."""
    for priority in PRIORITIES:
        if not any(priority in url.priorities for url in urls):
            yield priority


def _words(text: str | None) -> list[str]:
    return (text or "").lower().replace(",", " ").split()
