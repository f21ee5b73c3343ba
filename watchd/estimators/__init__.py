"""Sample -> figures: one file an estimator.

Each estimator declares the figures that it computes and has `update(sample, figures)`, which
writes them, `snapshot()` and a constructor that takes a snapshot. An estimator may read the
figures of those before it in `engine`'s order. What is not known is None.
"""

from watchd.estimators import bank, cells, full, power, quality, trips
from watchd.figures import Figure

PACK_FIGURES: tuple[Figure, ...] = (
    *cells.FIGURES,
    *power.FIGURES,
    *full.FIGURES,
    *trips.FIGURES,
    *quality.FIGURES,
)
CELL_FIGURES: tuple[Figure, ...] = cells.CELL_FIGURES
BANK_FIGURES: tuple[Figure, ...] = bank.FIGURES
