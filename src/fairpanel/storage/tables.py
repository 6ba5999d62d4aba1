"""The bench's tables, as the newest migration leaves them.

Portable types only: the same tables stand in SQLite and in PostgreSQL. Records are added, never changed: a
change is a new record that names the one it replaces. Bodies are JSON as text; what is in them is the
business of `fairpanel.storage.codec` and of the methods. `seq` gives the order of entry, `id` is what
everything refers to.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    text,
)

REVISION = "0001"
"""The migration these tables stand for; a test holds it to the newest one."""

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_N_label)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _record(name: str, *columns: Column[Any] | Index) -> Table:
    return Table(
        name,
        METADATA,
        Column("seq", Integer, primary_key=True),
        Column("id", String(16), nullable=False, unique=True),
        *columns,
        Column("made_at", String(32), nullable=False),
        Column("made_offset", String(6), nullable=False),
    )


def _link(name: str, one: str, other: str, *columns: Column[Any]) -> Table:
    return Table(
        name,
        METADATA,
        Column(f"{one}_id", String(16), ForeignKey(f"{one}.id"), primary_key=True),
        Column(f"{other}_id", String(16), ForeignKey(f"{other}.id"), primary_key=True, index=True),
        *columns,
    )


def _to(table: str, name: str = "", *, optional: bool = False, unique: bool = False) -> Column[Any]:
    return Column(
        name or f"{table}_id",
        String(16),
        ForeignKey(f"{table}.id"),
        nullable=optional,
        unique=unique,
        index=not unique,
    )


def _replaces(table: str) -> tuple[Column[Any], Column[Any]]:
    # Unique: a record can be replaced once only, so that every line of changes has one newest end.
    return _to(table, "replaces", optional=True, unique=True), _text("reason")


def _text(name: str) -> Column[Any]:
    return Column(name, Text, nullable=False)


def _count(name: str) -> Column[Any]:
    return Column(name, Integer, nullable=False)


def _first_of(name: str, *columns: str) -> Index:
    first = text("replaces IS NULL")
    return Index(name, *columns, unique=True, sqlite_where=first, postgresql_where=first)


# ---- what was done -----------------------------------------------------------------------------------------

entry = _record("entry", Column("noun", String(40), nullable=False), _text("name"), _text("body"), *_replaces("entry"))
Index("ix_entry_noun_name", entry.c.noun, entry.c.name)

take_in = _record(
    "take_in",
    Column("kind", String(20), nullable=False),
    _text("table_name"),
    Column("table_sha256", String(64), nullable=False),
    _text("table_file"),
    *_replaces("take_in"),
)

picture = _record(
    "picture",
    Column("sha256", String(64), nullable=False, unique=True),
    _text("file"),
    _text("name"),
    _text("media_type"),
    Column("bytes", BigInteger, nullable=False),
    _text("facts"),
)

row = _record(
    "row",
    _to("take_in"),
    Column("method", String(80), nullable=False),
    _count("method_version"),
    _text("identity"),
    _count("ordinal"),
    _text("body"),
    _count("line"),
    _to("picture", optional=True),
    _text("picture_name"),
    Column("withdrawn", Boolean, nullable=False),
    *_replaces("row"),
    _first_of("uq_row_first", "method", "identity", "ordinal"),
)

take_in_row = _link("take_in_row", "take_in", "row", _count("line"))

old_score = _record("old_score", _to("take_in"), _count("ordinal"), _text("body"))

# ---- what was read from it ---------------------------------------------------------------------------------

read = _record(
    "read",
    _text("code_version"),
    _text("settings"),
    Column("seed", BigInteger, nullable=False),
    _text("methods"),
    _count("rows_seen"),
)

read_end = _record("read_end", _to("read", unique=True), _text("note"))

measuring = _record(
    "measuring",
    _to("read"),
    _to("picture", optional=True),
    Column("method", String(80), nullable=False),
    _count("method_version"),
    Column("cache_key", String(80), nullable=False, index=True),
)

read_measuring = _link("read_measuring", "read", "measuring")

outline = _record(
    "outline",
    _to("measuring", optional=True),
    _to("row"),
    _to("picture", optional=True),
    _text("polygon"),
    Column("how", String(10), nullable=False),
    *_replaces("outline"),
)

mark = _record("mark", _to("measuring"), _to("row"), _text("body"), _text("flags"))

refusal = _record(
    "refusal",
    _to("read"),
    _to("measuring", optional=True),
    Column("method", String(80), nullable=False),
    _text("picture"),
    _text("strip"),
    _text("reason"),
    _text("what_to_do"),
)

reading = _record(
    "reading",
    _to("read"),
    Column("method", String(80), nullable=False),
    _count("ordinal"),
    _text("product"),
    Column("quantity", String(80), nullable=False),
    Column("value", Float),
    _text("body"),
    _text("flags"),
)

reading_mark = _link("reading_mark", "reading", "mark")

result = _record(
    "result",
    _to("read"),
    Column("method", String(80), nullable=False),
    _count("ordinal"),
    _text("product"),
    Column("quantity", String(80), nullable=False),
    _text("body"),
    _text("flags"),
)

result_reading = _link("result_reading", "result", "reading")

finding = _record("finding", _to("read"), _to("result", optional=True), _count("ordinal"), _text("body"))

publication = _record("publication", _to("read"), _text("folder"), _text("files"))

BODIES = {
    entry: ("body",),
    picture: ("facts",),
    row: ("body",),
    old_score: ("body",),
    read: ("settings", "methods"),
    outline: ("polygon",),
    mark: ("body", "flags"),
    reading: ("body", "flags"),
    result: ("body", "flags"),
    finding: ("body",),
    publication: ("files",),
}
"""The columns that hold JSON."""
