"""Topics and payloads that were overheard -> a proposed config, with the reason of each guess.

Pure: no clock, no socket, no file. What is guessed has a certainty and says what it rests on; what
cannot be told from what was heard is said to be so.
"""
