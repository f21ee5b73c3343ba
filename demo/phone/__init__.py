"""The keeper's phone: a small receiver of HTTP posts, and how a message looks in a terminal."""
