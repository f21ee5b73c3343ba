"""Condition -> life cycle: delays, deadbands, states, and what is said of them."""
