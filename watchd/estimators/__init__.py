"""Sample -> figures: one file an estimator.

`ESTIMATORS` is the order in which a pack's sample goes through them; each may read the figures of
those before it. What is not known is None.
"""

from watchd.estimators.balancing import balancer
from watchd.estimators.bank import daylight, sharing, totals
from watchd.estimators.cells import at_full, extremes, headroom, imbalance, joints, spread_kind
from watchd.estimators.charging import absorption, charge, full, horizon, power, trips
from watchd.estimators.estimator import CellEstimator, Estimator
from watchd.estimators.quality import freshness, frozen, implausible, rhythm
from watchd.estimators.soc import anchors, bms_soc, capacity, estimate, offset, reanchors
from watchd.figures import Figure

# What the keeper's definition of full may rest on comes before it, and the rest after.
BEFORE_FULL: tuple[type[Estimator], ...] = (
    extremes.Extremes,
    power.Power,
    rhythm.Rhythm,
    freshness.Freshness,
    implausible.Implausible,
    trips.Trips,
    charge.Charge,
    frozen.Frozen,
)
AFTER_FULL: tuple[type[Estimator], ...] = (
    absorption.Absorption,
    at_full.AtFull,
    offset.Offset,
    anchors.Anchors,
    capacity.Capacity,
    estimate.Soc,
    bms_soc.BmsSoc,
    reanchors.Reanchors,
    joints.Joints,
    headroom.Headroom,
    imbalance.Imbalance,
    spread_kind.SpreadKind,
    balancer.Balancer,
    sharing.Sharing,
    horizon.Horizon,
)
ESTIMATORS: tuple[type[Estimator], ...] = (*BEFORE_FULL, full.Full, *AFTER_FULL)
# Those of them that also tell of each cell.
CELL_ESTIMATORS: tuple[type[CellEstimator], ...] = (joints.Joints, imbalance.Imbalance)

FIGURES_BEFORE_FULL: tuple[Figure, ...] = (
    *extremes.FIGURES,
    *power.FIGURES,
    *rhythm.FIGURES,
    *freshness.FIGURES,
    *implausible.FIGURES,
    *trips.FIGURES,
    *charge.FIGURES,
    *frozen.FIGURES,
)
FIGURES_AFTER_FULL: tuple[Figure, ...] = (
    *absorption.FIGURES,
    *at_full.FIGURES,
    *offset.FIGURES,
    *anchors.FIGURES,
    *capacity.FIGURES,
    *estimate.FIGURES,
    *bms_soc.FIGURES,
    *reanchors.FIGURES,
    *joints.FIGURES,
    *headroom.FIGURES,
    *imbalance.FIGURES,
    *spread_kind.FIGURES,
    *balancer.FIGURES,
    *sharing.FIGURES,
    *horizon.FIGURES,
)
PACK_FIGURES: tuple[Figure, ...] = (*FIGURES_BEFORE_FULL, *full.FIGURES, *FIGURES_AFTER_FULL)
CELL_FIGURES: tuple[Figure, ...] = (
    *extremes.CELL_FIGURES,
    *joints.CELL_FIGURES,
    *imbalance.CELL_FIGURES,
)
BANK_FIGURES: tuple[Figure, ...] = (*totals.FIGURES, *daylight.FIGURES)
