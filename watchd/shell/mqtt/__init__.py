"""The broker: two links that are kept, what waits to go out, and asking a running watchd.

Each link is lost and made again on its own; what waits for it is bounded.

    broker.py         a client that lets go, what codes mean; credentials.py: who, and whom to trust
    links.py          both links, kept; link.py: what is told of their losses and returns
    receiving.py      telemetry; intake.py: bounded, the newest of each topic; frames.py: out of
                      large reads
    publishing.py     what goes out, and requests; outbox.py: what waits, the urgent first
    annunciations.py  those that the broker does not have yet
    asking.py         for commands: a request and its answer
"""
