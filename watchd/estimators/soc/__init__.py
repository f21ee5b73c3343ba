"""How full a pack is, and what it can hold."""
