"""The whole day at once, into a recording: JSON Lines, one message a line, in time order."""

import gzip
import json
from pathlib import Path

from demo.skerry.simulation import Advice, play
from demo.skerry.story import Story


def record(path: Path, story: Story, seed: int, advice: Advice | None) -> int:
    """Write the recording, gzipped if the name ends in .gz, and give the number of messages."""
    count = 0
    with gzip.open(path, "wt") if path.suffix == ".gz" else path.open("w") as file:
        for seen, messages in play(story, seed, advice):
            for message in messages:
                line = {"t": seen.at, "topic": message.topic, "payload": message.value}
                file.write(json.dumps(line, separators=(",", ":")) + "\n")
                count += 1
    return count
