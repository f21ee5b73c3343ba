"""A start that goes on where the last run was cut off: what of that run is still to be kept."""

from __future__ import annotations

from collections.abc import Sequence

from watchd.alarms.records import journal_entry
from watchd.publish import Topics
from watchd.shell.drive import Drive
from watchd.shell.inputs import Fed, Input
from watchd.shell.store.archive import Archive
from watchd.shell.store.contents import Loaded


def restore(drive: Drive, loaded: Loaded, archive: Archive) -> int:
    """Bring the drive to where the last run was; how many inputs were told again.

    What came of them, and was not on the disk yet, is kept now. All else is over: answers that
    nobody waits for, and lines that are in the log of that run.
    """

    def heard(given: Input, *, unkept: bool, unsaved: bool) -> None:
        engine = drive.engine
        samples, looks = engine.take_samples(), engine.take_trends()
        if unkept:
            archive.sample(samples)
            archive.trends(looks)
            if isinstance(given, Fed):
                record(archive, drive.config.prefix, (given,))
        for transition in engine.take_transitions():
            if unsaved:
                archive.journal(journal_entry(transition, engine.step_s))
        engine.take_notes()
        engine.take_queries()
        engine.take_advice()
        engine.take_steps()

    again = drive.restore(loaded, heard)
    # After a long break the day goes on from nothing: what was known of it is known now.
    archive.trends(list(drive.engine.pack_days()))
    return again


def record(archive: Archive, prefix: str, given: Sequence[Fed]) -> None:
    """Keep messages for `replay`, unless they are watchd's own."""
    topics, own = Topics(prefix), f"{prefix}/"
    for fed in given:
        if not fed.topic.startswith(own) or topics.is_request(fed.topic):
            archive.record(fed.topic, fed.payload, fed.at, retained=fed.retained)
