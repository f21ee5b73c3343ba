"""What rules did, what a change of them would do, and where a limit is well placed."""
