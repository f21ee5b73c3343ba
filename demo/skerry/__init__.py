"""A simulated bank of three LFP packs on a small island, with the faults that old packs have.

Everything that happens follows from cells, BMSs, sun and loads; only sun and loads are written down
in advance (`story`). The package knows nothing of watchd: like any installation it publishes what
its BMSs measure, and it may follow a charge current limit that arrives by MQTT.
"""
