"""Open-circuit voltage of an LFP cell.

Positive electrode: Afshar, Morris, Khajepour 2017 (arXiv:1709.03970). Graphite: Chen et al. 2020,
J. Electrochem. Soc. 167, 080534. The filling of both electrodes at empty (2.5 V) and full (3.5 V)
is fitted here to the full cell of PyBaMM's parameter set `Prada2013`, which has these two curves:
2.892, 3.176, 3.266, 3.314, 3.339, 3.382 and 3.500 V at 5, 20, 50, 90, 98, 99 and 100 %.
"""

from math import exp, tanh

_LITHIUM_IN_GRAPHITE = (0.03527, 0.81086)  # at empty, at full
_LITHIUM_IN_PHOSPHATE = (0.68767, 0.006647)

# A cell may be a little over full, as a runaway cell is, and a little under empty.
_LOWEST, _HIGHEST, _STEP = -0.02, 1.03, 1e-4


def open_circuit_v(charge: float) -> float:
    """The curve itself; `charge` is the state of charge from 0 to 1."""
    empty, full = _LITHIUM_IN_GRAPHITE
    graphite = empty + (full - empty) * charge
    empty, full = _LITHIUM_IN_PHOSPHATE
    phosphate = empty + (full - empty) * charge
    positive_v = (
        3.4077
        - 0.020269 * phosphate
        + 0.5 * exp(-150.0 * phosphate)
        - 0.9 * exp(-30.0 * (1.0 - phosphate))
    )
    negative_v = (
        1.9793 * exp(-39.3631 * graphite)
        + 0.2482
        - 0.0909 * tanh(29.8538 * (graphite - 0.1234))
        - 0.04478 * tanh(14.9159 * (graphite - 0.2769))
        - 0.0205 * tanh(30.4444 * (graphite - 0.6103))
    )
    return positive_v - negative_v


_TABLE_V = tuple(
    open_circuit_v(_LOWEST + step * _STEP)
    for step in range(round((_HIGHEST - _LOWEST) / _STEP) + 2)
)


def ocv_v(charge: float) -> float:
    """The curve from a table, which is what makes 48 cells a second cheap."""
    place = (min(max(charge, _LOWEST), _HIGHEST) - _LOWEST) / _STEP
    below = int(place)
    left_v = _TABLE_V[below]
    return left_v + (place - below) * (_TABLE_V[below + 1] - left_v)
