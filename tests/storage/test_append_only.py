"""Records are added, never changed."""

import pytest
from sqlalchemy import insert

from fairpanel.storage import tables
from fairpanel.storage.errors import NeverChanged


@pytest.mark.parametrize("table", list(tables.METADATA.sorted_tables), ids=lambda t: t.name)
def test_no_record_can_be_changed_or_taken_away(bench, table):
    """SQLite itself refuses, in every table, whoever asks."""
    column = next(iter(table.c)).name
    _some_record(bench, table)
    for statement in (f'UPDATE "{table.name}" SET "{column}" = "{column}"', f'DELETE FROM "{table.name}"'):
        with pytest.raises(NeverChanged, match="never changed"), bench._saving() as connection:
            connection.exec_driver_sql(statement)


def test_a_record_cannot_be_replaced_by_inserting_over_it(bench):
    """INSERT OR REPLACE takes the old record away first; that is refused too."""
    bench.enter("product", "A")
    with pytest.raises(NeverChanged, match="never changed"), bench._saving() as connection:
        connection.exec_driver_sql("INSERT OR REPLACE INTO entry SELECT * FROM entry")


def _some_record(bench, table):
    """Put one record into a table, with whatever it must refer to left loose until the end."""
    filled = {}
    for column in table.c:
        if column.primary_key and column.name == "seq":
            continue
        kind = column.type.python_type
        filled[column.name] = kind(0) if kind is not str else "0"
    for nullable in (c.name for c in table.c if c.nullable):
        filled[nullable] = None
    with bench._engine.connect() as connection:
        raw = connection.connection.driver_connection
        connection.rollback()
        raw.execute("PRAGMA foreign_keys = OFF")
        connection.execute(insert(table), [filled])
        connection.commit()
        raw.execute("PRAGMA foreign_keys = ON")
