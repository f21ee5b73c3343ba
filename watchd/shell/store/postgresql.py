"""The tables in a PostgreSQL database: the state of each bank, and the journal of all daemons.

One connection, used by one thread at a time. All that goes wrong is `psycopg.Error`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from watchd.errors import WatchdError
from watchd.messages import JournalEntry
from watchd.shell.store.contents import pack_state, unpack_state

if TYPE_CHECKING:
    import psycopg

# Steps as those of the file: what was ever released is not edited.
STEPS: dict[int, str] = {
    1: """
CREATE TABLE watchd_bank
  (bank text PRIMARY KEY, instance integer NOT NULL, at double precision NOT NULL,
   written timestamptz NOT NULL DEFAULT now(), state bytea NOT NULL);
CREATE TABLE watchd_journal
  (id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, instance integer NOT NULL, bank text,
   at double precision NOT NULL, alarm text NOT NULL, event text NOT NULL, entry jsonb NOT NULL,
   UNIQUE (instance, alarm, at, event));
CREATE INDEX watchd_journal_bank ON watchd_journal (bank, id);
""",
}
SCHEMA = max(STEPS)
_VERSION = "CREATE TABLE IF NOT EXISTS watchd_schema (version integer NOT NULL)"
_LOCK = 7_781_001  # some number of ours, so that two daemons do not begin the tables at once
CONNECT_S = 5
# A server that hangs must not hold a thread for long.
STATEMENT_MS = 30_000


class NewerError(Exception):
    """The tables are of a newer watchd."""


class Tables:
    """The connection, with tables of the version that this watchd knows.

    Raises psycopg.Error, NewerError, and WatchdError where psycopg is not installed.
    """

    def __init__(self, conninfo: str) -> None:
        try:
            import psycopg  # noqa: PLC0415 - it is an extra, and few need it
        except ImportError:
            raise WatchdError(
                "store: postgresql needs psycopg: pip install 'watchd[fleet]'"
            ) from None

        self._db: psycopg.Connection[Any] = psycopg.connect(
            conninfo,
            connect_timeout=CONNECT_S,
            application_name="watchd",
            options=f"-c statement_timeout={STATEMENT_MS}",
            keepalives_idle=10,
            keepalives_interval=5,
            keepalives_count=3,
        )
        try:
            self._migrate()
        except BaseException:
            self._db.close()
            raise

    def _migrate(self) -> None:
        with self._db.transaction():
            self._db.execute("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))
            self._db.execute(_VERSION)
            row = self._db.execute("SELECT max(version) FROM watchd_schema").fetchone()
            version = row[0] if row is not None and row[0] is not None else 0
            if version > SCHEMA:
                raise NewerError(f"its tables are of a newer watchd (version {version})")
            for number, step in STEPS.items():
                if number > version:
                    for statement in step.split(";\n"):
                        if statement.strip():
                            self._db.execute(statement.encode())
                    self._db.execute("INSERT INTO watchd_schema VALUES (%s)", (number,))

    def states(self, banks: Sequence[str]) -> dict[str, dict[str, Any]]:
        """What was saved of these banks, by whichever daemon. One that cannot be read is left."""
        rows = self._db.execute(
            "SELECT bank, state FROM watchd_bank WHERE bank = ANY(%s)", (list(banks),)
        ).fetchall()
        self._db.commit()
        found = {}
        for bank, packed in rows:
            try:
                state = unpack_state(packed)
            except ValueError:
                continue
            if state is not None:
                found[bank] = state
        return found

    def save(
        self,
        instance: int,
        states: Mapping[str, Mapping[str, Any]],
        entries: Iterable[tuple[str | None, JournalEntry]],
    ) -> None:
        """All of it or nothing. An older state takes the place of no newer one.

        An entry that stands there already (told again after a crash) is left as it is.
        """
        with self._db.transaction(), self._db.cursor() as cursor:
            cursor.executemany(
                "INSERT INTO watchd_bank (bank, instance, at, state) VALUES (%s, %s, %s, %s)"
                " ON CONFLICT (bank) DO UPDATE SET instance = excluded.instance,"
                " at = excluded.at, written = now(), state = excluded.state"
                " WHERE excluded.at >= watchd_bank.at",
                [
                    (bank, instance, _shown_at(state), pack_state(dict(state)))
                    for bank, state in states.items()
                ],
            )
            cursor.executemany(
                "INSERT INTO watchd_journal (instance, bank, at, alarm, event, entry)"
                " VALUES (%s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
                [
                    (
                        instance,
                        b,
                        e["at"],
                        e["alarm"],
                        e["event"],
                        json.dumps(e, ensure_ascii=False),
                    )
                    for b, e in entries
                ],
            )

    def close(self) -> None:
        """Close the connection."""
        self._db.close()


def _shown_at(state: Mapping[str, Any]) -> float:
    return float(state.get("at", 0.0)) + float(state.get("step_s", 0.0))
