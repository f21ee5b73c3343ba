"""Rule files -> compiled rules: the field list, the loader, the examples."""
