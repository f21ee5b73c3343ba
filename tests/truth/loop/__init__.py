"""A simulated bank whose charger obeys a suggestion: the loop of watchd's charge limit as a whole.

`learned(scenario)` lives through ordinary days up to the morning of a scenario, with watchd looking
on; `run(scenario, start, controller)` is that morning's charge, second by second. `goal` holds a
controller against one that knows everything.
"""

from tests.truth.loop.controllers import Clairvoyant, Fixed, Taper, Watchd
from tests.truth.loop.learning import Start, learned
from tests.truth.loop.run import Outcome, run
from tests.truth.loop.scenarios import SCENARIOS, Scenario

__all__ = [
    "SCENARIOS",
    "Clairvoyant",
    "Fixed",
    "Outcome",
    "Scenario",
    "Start",
    "Taper",
    "Watchd",
    "learned",
    "run",
]
