"""A simulated bank whose truth is known, to measure the estimators against.

Shares no code with watchd or with the demo. `healthy(seeds, nameplate_ah)` gives banks of sound
packs as arrays [S, P, N] that a test changes at will (`bank.charge[:, 0, 4] += 0.02`),
`simulate(bank, days)` runs them all at once, and `Watched(record, seed).run()` takes one of them
through the estimators.
"""

from tests.truth.bank import Bank, healthy
from tests.truth.record import Record
from tests.truth.simulation import simulate
from tests.truth.watched import Watched

__all__ = ["Bank", "Record", "Watched", "healthy", "simulate"]
