"""The same tables on a database server."""

import pytest
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from fairpanel.storage import tables


@pytest.mark.parametrize("table", list(tables.METADATA.sorted_tables), ids=lambda t: t.name)
def test_every_table_can_be_written_for_postgresql(table):
    """Only the statements are made here; no server takes part."""
    dialect = postgresql.dialect()
    made = str(CreateTable(table).compile(dialect=dialect))
    assert ("SERIAL" in made) == ("seq" in table.c)
    for index in table.indexes:
        assert "CREATE" in str(CreateIndex(index).compile(dialect=dialect))


def test_names_fit_into_postgresql():
    """Its names have at most 63 bytes (PostgreSQL documentation, section 4.1.1, from memory)."""
    names = [index.name for table in tables.METADATA.sorted_tables for index in table.indexes]
    assert names
    assert max(map(len, names)) <= 63
