"""Python's collector of cyclic garbage, kept off what lives as long as the service.

Code, config, rules and the engine's own objects make no garbage, and to look through them takes
milliseconds with four packs and most of a second with a thousand: a pause of everything.
"""

from __future__ import annotations

import gc

# New objects, less those that went, before the young are looked through; then how many times that
# before the older ones are. What a message leaves behind (rows and lines of the history) is no
# garbage, and goes by itself.
THRESHOLDS = (10_000, 20, 20)


def put_off() -> None:
    """No collection from here on: a start makes much, and nearly nothing of it is garbage."""
    gc.disable()


def settle() -> None:
    """Collect once, and set aside all that is there now; from here on what is new is looked at.

    Call it again when much was replaced: what was set aside before is looked through then.
    """
    gc.unfreeze()
    gc.collect()
    gc.freeze()
    gc.set_threshold(*THRESHOLDS)
    gc.enable()
