"""Payload -> sample: topics, mapping, units, the quality gate, and the parts of a pack."""
