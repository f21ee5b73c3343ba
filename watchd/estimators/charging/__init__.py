"""Charge in and out, and what the pack does with it."""
