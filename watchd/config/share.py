"""Several daemons over the same banks: which of them watches a bank.

Rendezvous hashing (Thaler and Ravishankar, "Using name-based mappings to increase hit rates",
IEEE/ACM Transactions on Networking 6(1), 1998; from memory): each pair of a bank and an instance
has a weight that follows from their names alone, and the highest has the bank. Where one instance
is added, it takes its part from all the others, and no bank moves between those.
"""

from __future__ import annotations

import hashlib

from pydantic import Field

from watchd.schema import Section

MOST_INSTANCES = 1000


class Share(Section):
    """The banks are shared out among several daemons."""

    of: int = Field(ge=1, le=MOST_INSTANCES, description="so many daemons share the banks")


def instance_of(bank: str, of: int) -> int:
    """Which of the instances 1 to `of` watches a bank: the same on every machine, for ever."""
    return max(range(1, of + 1), key=lambda instance: _weight(bank, instance))


def _weight(bank: str, instance: int) -> bytes:
    # The number stands first, and no name begins before the stroke: no two pairs are alike.
    return hashlib.blake2b(f"{instance}/{bank}".encode(), digest_size=8).digest()
