"""Open-circuit voltage of the simulated cells.

Positive electrode: Afshar, Morris, Khajepour 2017 (arXiv:1709.03970). Graphite: Chen et al. 2020,
J. Electrochem. Soc. 167, 080534. What fills the electrodes at empty (2.5 V) and full (3.5 V) is
fitted to the full cell of PyBaMM's set `Prada2013`, which has these two curves.
"""

from __future__ import annotations

import numpy as np

_GRAPHITE = (0.03527, 0.81086)  # lithium in it, at empty and at full
_PHOSPHATE = (0.68767, 0.006647)
_FROM, _TO, _STEP = -0.03, 1.08, 1e-4


def _curve(charge: np.ndarray) -> np.ndarray:
    graphite = _GRAPHITE[0] + (_GRAPHITE[1] - _GRAPHITE[0]) * charge
    phosphate = _PHOSPHATE[0] + (_PHOSPHATE[1] - _PHOSPHATE[0]) * charge
    positive = (
        3.4077
        - 0.020269 * phosphate
        + 0.5 * np.exp(-150.0 * phosphate)
        - 0.9 * np.exp(-30.0 * (1.0 - phosphate))
    )
    negative = (
        1.9793 * np.exp(-39.3631 * graphite)
        + 0.2482
        - 0.0909 * np.tanh(29.8538 * (graphite - 0.1234))
        - 0.04478 * np.tanh(14.9159 * (graphite - 0.2769))
        - 0.0205 * np.tanh(30.4444 * (graphite - 0.6103))
    )
    return np.asarray(positive - negative)


_TABLE = _curve(np.arange(_FROM, _TO + 2 * _STEP, _STEP))
_RISE = np.diff(_TABLE)


def ocv_v(charge: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Voltage and its slope (V per unit of charge) at a state of charge from 0 to 1."""
    place = (charge - _FROM) * (1.0 / _STEP)
    np.clip(place, 0.0, len(_RISE) - 1.0, out=place)
    below = place.astype(np.int32)
    rise = _RISE[below]
    return _TABLE[below] + (place - below) * rise, rise * (1.0 / _STEP)
