"""The daily and the weekly digest: what a keeper reads on a phone, from what is known and kept."""
