"""Records are added, never changed: SQLite itself refuses anything else.

Other databases are kept by the code alone, which has no statement that changes a record.
"""

from __future__ import annotations

from sqlalchemy import Connection

_SENTENCE = "records are never changed; enter a new one that replaces it"


def protect(connection: Connection, table: str) -> None:
    """Refuse to change or take away rows of a table. Nothing is done on databases other than SQLite."""
    if connection.dialect.name != "sqlite":
        return
    for event in ("update", "delete"):
        connection.exec_driver_sql(
            f'CREATE TRIGGER "{table}_no_{event}" BEFORE {event.upper()} ON "{table}" '
            f"BEGIN SELECT RAISE(ABORT, '{_SENTENCE}'); END"
        )


def unprotect(connection: Connection, table: str) -> None:
    """Lift the protection; for a migration that must rebuild the table, which then calls `protect` again."""
    if connection.dialect.name != "sqlite":
        return
    for event in ("update", "delete"):
        connection.exec_driver_sql(f'DROP TRIGGER IF EXISTS "{table}_no_{event}"')
