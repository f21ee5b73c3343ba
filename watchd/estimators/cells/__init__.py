"""The cells against each other: spread, imbalance, joints."""
