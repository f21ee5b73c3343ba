"""What the days do to the balance of the cells."""
