"""Topics of telemetry: `hut/{pack}/cell/{cell}` as a filter to subscribe to, and as a matcher."""

from __future__ import annotations

import re

CAPTURES = ("pack", "cell", "sensor")
_CAPTURE = re.compile(r"\{([^{}]*)\}")


class TopicPattern:
    """A topic in which `{pack}`, `{cell}` and `{sensor}` stand for a level, or part of one.

    Raises ValueError with a sentence for the user.
    """

    def __init__(self, text: str) -> None:
        if not text or "\0" in text or len(text.encode()) > 65535:
            raise ValueError("a topic has 1 to 65535 bytes and no NUL")
        if "+" in text or "#" in text:
            raise ValueError(
                f"'{text}' has a wildcard; a source names its topic, with {{pack}} or {{cell}} "
                "for the levels that differ"
            )
        self.text = text
        names = _CAPTURE.findall(text)
        for name in names:
            if name not in CAPTURES:
                raise ValueError(
                    f"'{{{name}}}' is not known in a topic; use {{pack}}, {{cell}} or {{sensor}}"
                )
        if len(set(names)) < len(names):
            raise ValueError(f"'{text}' captures the same thing twice")
        if "{" in _CAPTURE.sub("", text) or "}" in _CAPTURE.sub("", text):
            raise ValueError(f"'{text}' has a brace that does not close")
        self.captures = frozenset(names)
        levels = text.split("/")
        self.subscription = "/".join("+" if _CAPTURE.search(level) else level for level in levels)
        pattern = "".join(
            f"(?P<{part}>[^/]+)" if index % 2 else re.escape(part)
            for index, part in enumerate(_CAPTURE.split(text))
        )
        self._pattern = re.compile(pattern)

    def match(self, topic: str) -> dict[str, str] | None:
        """What each capture stands for in `topic`, or None where the topic is another."""
        found = self._pattern.fullmatch(topic)
        return None if found is None else found.groupdict()
