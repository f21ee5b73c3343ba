"""All that an engine says of a short story, a line each, after a line on which watchd it is.

A child process: the watchd that is found first on PYTHONPATH tells it.
"""

import json
import pickle
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.append(str(ROOT))  # for the simulated bank

from tests.truth import healthy, simulate  # noqa: E402 # only now it is found
from tests.truth.messages import config_of, messages  # noqa: E402
from watchd.engine import Engine  # noqa: E402
from watchd.loading import load_rules  # noqa: E402
from watchd.watch import pack  # noqa: E402

RESTART_EVERY = 5000


def main() -> None:
    """One day of a bank with a bad joint, a cell ahead and a sensor with an offset; restarts."""
    bank = healthy(1, [280.0, 230.0, 100.0], first_seed=5)
    bank.charge[0, 0, 3] += 0.04
    bank.joint_mohm[0, 1, 7] = 1.2
    bank.overvoltage_v[0, 0] = 3.55
    bank.offset_a[0, 2] = 1.5
    record = simulate(bank, 1)
    config, rules = config_of(record, 0), load_rules(ROOT / "rules")
    print(Path(pack.__file__).suffix)
    engine = Engine(config, rules, tells_trends=True)
    for number, (topic, payload, at) in enumerate(messages(record, 0), 1):
        for told in engine.feed(topic, payload, at):
            print(at, told.topic, told.payload.decode(), told.expires_in_s)
        for moved in engine.take_transitions():
            print(at, moved.key, moved.event, moved.told, moved.text)
        for advice in engine.take_advice():
            print(at, pickle.loads(pickle.dumps(advice)))  # noqa: S301 # as between processes
        for note in engine.take_notes():
            print(at, note)
        if number % RESTART_EVERY == 0:
            saved = json.dumps(engine.snapshot())
            print(saved)
            engine = Engine(config, rules, state=json.loads(saved), tells_trends=True)
    print(json.dumps(engine.figures()))


if __name__ == "__main__":
    main()
