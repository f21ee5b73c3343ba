"""The open-circuit voltage that both cells of the demo are held against.

Full cell of PyBaMM's set Prada2013 (Afshar 2017 with graphite of Chen 2020): charge from 0 to 1, V.
"""

from __future__ import annotations

PUBLISHED = [
    (0.05, 2.892),
    (0.2, 3.176),
    (0.5, 3.266),
    (0.9, 3.314),
    (0.98, 3.339),
    (0.99, 3.382),
    (1.0, 3.500),
]
