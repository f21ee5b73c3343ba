"""Numbers -> drawings, one file for each file of `series`. Needs matplotlib (`watchd[report]`)."""

from collections.abc import Callable
from typing import Any

from matplotlib.figure import Figure

from watchd.report.drawings import alarms, capacity, cells, current, energy, joints, soc, spread
from watchd.report.series.alarms import Alarms
from watchd.report.series.capacity import Capacity
from watchd.report.series.cells import Cells
from watchd.report.series.current import Current
from watchd.report.series.energy import Energy
from watchd.report.series.joints import Joints
from watchd.report.series.soc import Soc
from watchd.report.series.spread import Spread

# Each takes the numbers of its kind alone.
DRAWINGS: dict[type[Any], Callable[[Any], Figure]] = {
    Alarms: alarms.draw,
    Capacity: capacity.draw,
    Cells: cells.draw,
    Current: current.draw,
    Energy: energy.draw,
    Joints: joints.draw,
    Soc: soc.draw,
    Spread: spread.draw,
}
