"""What was measured, kept for years: packed samples, their minutes and their days."""
