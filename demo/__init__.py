"""The demonstration: a simulated bank, and a narrator that tells what watchd makes of it."""
