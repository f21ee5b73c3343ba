"""Sample -> figures: one file an estimator.

`ESTIMATORS` is the order in which a pack's sample goes through them; each may read the figures of
those before it. What is not known is None.
"""

from watchd.estimators import bank, cells, charge, freshness, full, power, trips
from watchd.estimators.estimator import Estimator
from watchd.figures import Figure

# What the keeper's definition of full may rest on comes before it, and the rest after.
BEFORE_FULL: tuple[type[Estimator], ...] = (
    cells.Cells,
    power.Power,
    freshness.Freshness,
    trips.Trips,
    charge.Charge,
)
AFTER_FULL: tuple[type[Estimator], ...] = ()
ESTIMATORS: tuple[type[Estimator], ...] = (*BEFORE_FULL, full.Full, *AFTER_FULL)

FIGURES_BEFORE_FULL: tuple[Figure, ...] = (
    *cells.FIGURES,
    *power.FIGURES,
    *freshness.FIGURES,
    *trips.FIGURES,
    *charge.FIGURES,
)
FIGURES_AFTER_FULL: tuple[Figure, ...] = ()
PACK_FIGURES: tuple[Figure, ...] = (*FIGURES_BEFORE_FULL, *full.FIGURES, *FIGURES_AFTER_FULL)
CELL_FIGURES: tuple[Figure, ...] = cells.CELL_FIGURES
BANK_FIGURES: tuple[Figure, ...] = bank.FIGURES
