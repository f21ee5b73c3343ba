"""Topics of telemetry: `hut/{pack}/cell/{cell}` as a filter to subscribe to, and as a matcher."""

from __future__ import annotations

import re

CAPTURES = ("bank", "pack", "cell", "sensor")
LONGEST_TOPIC = 65535  # bytes (MQTT 5, 1.5.4)
# A stranger fills these in. Several captures in one level make a match try their lengths against
# each other, so that this bounds its time as well.
LONGEST_CAPTURE = 100
_CAPTURE = re.compile(r"\{([^{}]*)\}")
# MQTT 5, 1.5.4: NUL and surrogates must not be there, and a broker may end the connection of who
# sends one of the others: control characters and Unicode's noncharacters.
_NONCHARACTERS = "".join(map(chr, range(0xFFFE, 0x110000, 0x10000))) + "".join(
    map(chr, range(0xFFFF, 0x110000, 0x10000))
)
_NOT_IN_TOPICS = re.compile(
    f"[\\x00-\\x1f\\x7f-\\x9f\\ud800-\\udfff\\ufdd0-\\ufdef{_NONCHARACTERS}]"
)


def topic_fault(topic: str, longest: int = LONGEST_TOPIC) -> str | None:
    """Why watchd does not publish or subscribe to `topic`, wildcards apart; None where it may.

    `longest` in bytes of UTF-8.
    """
    if not topic or _NOT_IN_TOPICS.search(topic):
        return "it is empty, or has a character that MQTT does not allow"
    if len(topic.encode()) > longest:
        return f"it is longer than {longest} bytes"
    if topic.startswith("$"):
        # $SYS is the broker's own; $share would give each message to one subscriber alone.
        return "topics that begin with $ are the broker's own"
    return None


class TopicPattern:
    """A topic in which `{bank}`, `{pack}`, `{cell}`, `{sensor}` stand for a level, or part of one.

    Raises ValueError with a sentence for the user.
    """

    def __init__(self, text: str) -> None:
        fault = topic_fault(text)
        if fault is not None:
            raise ValueError(f"'{text[:80]}' cannot be a topic: {fault}")
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
                    f"'{{{name}}}' is not known in a topic; use {{bank}}, {{pack}}, {{cell}} or "
                    "{sensor}"
                )
        if len(set(names)) < len(names):
            raise ValueError(f"'{text}' captures the same thing twice")
        if "{" in _CAPTURE.sub("", text) or "}" in _CAPTURE.sub("", text):
            raise ValueError(f"'{text}' has a brace that does not close")
        if "}{" in text:
            raise ValueError(f"'{text}' has two captures with nothing between them")
        self.captures = frozenset(names)
        levels = text.split("/")
        self.subscription = "/".join("+" if _CAPTURE.search(level) else level for level in levels)
        pattern = "".join(
            f"(?P<{part}>[^/]{{1,{LONGEST_CAPTURE}}})" if index % 2 else re.escape(part)
            for index, part in enumerate(_CAPTURE.split(text))
        )
        self._pattern = re.compile(pattern)

    def subscription_of(self, bank: str) -> str:
        """The filter of one bank's topics alone, by its name in topics.

        Where another capture shares its level, MQTT has no filter for it but that of all.
        """
        levels = (
            level.replace("{bank}", bank) if _CAPTURE.findall(level) == ["bank"] else level
            for level in self.text.split("/")
        )
        # A level that holds no capture now stands as it is.
        return "/".join("+" if _CAPTURE.search(level) else level for level in levels)

    def match(self, topic: str) -> dict[str, str] | None:
        """What each capture stands for in `topic`, or None where the topic is another."""
        found = self._pattern.fullmatch(topic)
        return None if found is None else found.groupdict()
