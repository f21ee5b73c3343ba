"""Is the set-up right? What came in a while, how it was understood, and what is missing."""
