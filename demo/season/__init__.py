"""Ninety days on the skerry in some minutes: weather, loads, faults, and people who act as advised.

The bank is that of `demo.skerry`, with all its cells in arrays. Written down are weather, loads and
what goes wrong when (`scenario`); the rest follows from physics, and from what watchd says. watchd
is driven in this process through its public contract, and the physics knows nothing of it.
"""
