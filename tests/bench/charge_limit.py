"""What a suggested charge current that is obeyed comes to, beside a charger that knows everything.
Prints, asserts nothing; run it from the project's root with `python -m tests.bench.charge_limit`.

time: until the end of charge, t99: until 0.99 of the best charge, both over the best one's time;
charge: delivered by the end, over the best one's; rises: of more than 1 A, how many and their sum.
A row that misses the goal has a star.
"""

from __future__ import annotations

import argparse

from tests.truth.loop.goal import DELAYS_S, HEAD, rows
from tests.truth.loop.learning import DAYS
from tests.truth.loop.scenarios import SCENARIOS


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenario", action="append", choices=SCENARIOS, help="again for more")
    parser.add_argument("--delay", action="append", type=float, help="s; again for more")
    parser.add_argument("--days", type=float, default=DAYS, help="ordinary days before")
    parser.add_argument("--cold-engine", action="store_true", help="watchd has learnt nothing")
    options = parser.parse_args()
    print(HEAD)
    for name in options.scenario or SCENARIOS:
        delays_s = options.delay or DELAYS_S
        for row in rows(
            SCENARIOS[name], delays_s, days=options.days, cold_engine=options.cold_engine
        ):
            print(row, "*" if row.missed(row.watchd) else "", flush=True)


if __name__ == "__main__":
    main()
