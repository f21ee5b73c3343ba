"""`watchd bridge`: what it keeps, hears and hands on. `watchd/phone` decides, without I/O.

bridge.py    the process: its tasks, signals and what it tells the service manager
queue.py     what waits, on disk; schema.py: its tables
listening.py the link to the broker: nothing is acknowledged before it is on the disk
targets.py   the secret URLs; apprised.py: hands one message on to one URL, in a thread
handing.py   one URL: what is its turn, and when it is tried again
asking.py    replies become requests, and their answers go back
"""
