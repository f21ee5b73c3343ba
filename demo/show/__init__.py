"""The narrator of the demo: it listens to the broker and tells in plain words what happens."""
