"""One file a drawing: its numbers, the sentence that says what it shows (or why it is empty), and
its table. `drawings` has a file of the same name for each.
"""
