"""The packs of a bank together."""
