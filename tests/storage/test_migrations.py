"""From every earlier form to the present one, with a copy kept, or not at all."""

import shutil
import sqlite3
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from fairpanel.storage import Bench, migrate, tables
from fairpanel.storage.errors import BenchDamaged, BenchInUse, NewerBench

_NEXT = """
from alembic import op
from sqlalchemy import Column, Text

from fairpanel.storage.append_only import protect, unprotect

revision = "0002"
down_revision = "0001"


def upgrade():
    unprotect(op.get_bind(), "entry")
    with op.batch_alter_table("entry", recreate="always") as entry:
        entry.add_column(Column("colour", Text, nullable=False, server_default="blue"))
    protect(op.get_bind(), "entry")
    {after}
"""


@pytest.fixture
def next_form(tmp_path, monkeypatch):
    """Pretend that the program knows one more form; gives what the last step ends with."""

    def pretend(after: str = "pass") -> None:
        versions = tmp_path / "migrations"
        shutil.copytree(migrate.VERSIONS, versions, ignore=shutil.ignore_patterns("__pycache__"))
        (versions / "versions" / "r0002_next.py").write_text(_NEXT.format(after=after))
        monkeypatch.setattr(migrate, "VERSIONS", versions)
        monkeypatch.setattr(tables, "REVISION", "0002")

    return pretend


def _old_bench(folder: Path) -> None:
    with Bench.create(folder) as bench:
        first = bench.enter("product", "A", {"maker": "M"})
        bench.amend_entry(first, name="A 2", reason="label")
        bench.keep_original(b"picture", "p.jpg")


def _backups(folder: Path) -> list[Path]:
    return sorted(folder.glob("bench-form-*.sqlite"))


def test_the_tables_are_those_of_the_newest_migration(bench):
    """Compared by alembic; and the number written in `tables` is the newest one's."""
    with bench._looking() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, tables.METADATA) == []
    assert ScriptDirectory(str(migrate.VERSIONS)).get_current_head() == tables.REVISION


@pytest.mark.parametrize("writing", [False, True])
def test_an_older_bench_is_brought_up_to_date_with_a_copy_beside(folder, next_form, writing):
    """The copy is a whole bench of the old form; nothing on record is lost; records stay protected."""
    _old_bench(folder)
    next_form()
    with Bench.open(folder, writing=writing) as bench:
        assert [e.name for e in bench.nouns("product")] == ["A 2"]
        assert [e.name for e in bench.entry_history(bench.nouns("product")[0].id)] == ["A", "A 2"]
        assert bench.original_bytes(bench.pictures()[0].id) == b"picture"
        assert bench.check() == []
        with bench._looking() as connection:
            colours = connection.exec_driver_sql("SELECT DISTINCT colour FROM entry").scalars().all()
    assert colours == ["blue"]
    (backup,) = _backups(folder)
    with sqlite3.connect(backup) as records:
        assert records.execute("SELECT version_num FROM alembic_version").fetchall() == [("0001",)]
        assert records.execute("SELECT count(*) FROM entry").fetchall() == [(3,)]
    records.close()
    records = sqlite3.connect(folder / "bench.sqlite")
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        records.execute("DELETE FROM entry")
    records.close()


def test_a_bench_of_the_present_form_is_not_copied(folder):
    """Opening it costs nothing."""
    _old_bench(folder)
    Bench.open(folder, writing=True).close()
    assert _backups(folder) == []


def test_the_older_program_refuses_the_bench_afterwards(folder, next_form, monkeypatch):
    """By the number in the head of the file."""
    _old_bench(folder)
    next_form()
    Bench.open(folder).close()
    monkeypatch.undo()
    with pytest.raises(NewerBench):
        Bench.open(folder)


@pytest.mark.parametrize(
    ("after", "error"),
    [
        ("raise RuntimeError('power cut')", RuntimeError),
        ('op.execute(\'INSERT INTO take_in_row VALUES ("a", "b", 1)\')', BenchDamaged),
    ],
)
def test_a_step_that_fails_leaves_the_bench_as_it_was(folder, next_form, monkeypatch, after, error):
    """All steps or none: also when records would refer to nothing."""
    _old_bench(folder)
    next_form(after)
    with pytest.raises(error):
        Bench.open(folder, writing=True)
    monkeypatch.undo()
    with Bench.open(folder, writing=True) as bench:
        assert [e.name for e in bench.nouns("product")] == ["A 2"]
        assert bench.check() == []


def test_a_bench_somebody_writes_to_is_not_brought_up_to_date(folder, next_form):
    """A looker that finds it old has to wait."""
    _old_bench(folder)
    with Bench.open(folder, writing=True):
        next_form()
        with pytest.raises(BenchInUse):
            Bench.open(folder)
    assert _backups(folder) == []
