"""Bringing an older bench up to the present form."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from fairpanel.storage import tables
from fairpanel.storage.engine import APPLICATION_ID
from fairpanel.storage.errors import BenchDamaged

VERSIONS = Path(__file__).parent / "migrations"


def revision_of(connection: Connection) -> str | None:
    """The form the records are in, or None if there are none yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def is_newer(revision: str) -> bool:
    """Whether a form comes after the one this program knows. Forms are numbered: "0001", "0002"."""
    return not revision.isdigit() or int(revision) > int(tables.REVISION)


def migrate(engine: Engine) -> None:
    """Take every step from the present form to the newest, in one transaction: all of them or none.

    `engine` does not watch foreign keys, since a step may have to rebuild a table; they are checked before
    the end.
    """
    # Imported here: most commands never migrate, and alembic takes a tenth of a second.
    from alembic.operations import Operations
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    scripts = ScriptDirectory(str(VERSIONS))
    with engine.begin() as connection:
        present = revision_of(connection)
        context = MigrationContext.configure(connection)
        steps = [s for s in scripts.iterate_revisions(tables.REVISION, present or "base") if s.revision != present]
        with Operations.context(context):
            for step in reversed(steps):
                step.module.upgrade()
                context.stamp(scripts, step.revision)
        if connection.dialect.name == "sqlite":
            _hold_together(connection)
            # In the head of the file, where they can be read without opening the records.
            connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.exec_driver_sql(f"PRAGMA user_version = {int(tables.REVISION)}")


def _hold_together(connection: Connection) -> None:
    loose = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if loose:
        raise BenchDamaged(
            f"{len(loose)} records would lose what they refer to (the first in table “{loose[0][0]}”). The "
            "bench was left in its older form; keep it, and report this."
        )
