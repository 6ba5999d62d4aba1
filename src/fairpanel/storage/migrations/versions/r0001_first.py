"""The first form of the bench.

Written out here and not taken from `fairpanel.storage.tables`, which moves on: this file must give the same
tables for ever, so that the steps that follow fit.
"""

from typing import Any

from alembic import op
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

from fairpanel.storage.append_only import protect

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_NAMES = {
    "ix": "ix_%(column_0_N_label)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


def upgrade() -> None:
    """Make every table and protect it."""
    metadata = MetaData(naming_convention=_NAMES)
    for make in (_what_was_done, _what_was_measured, _what_was_found):
        make(metadata)
    metadata.create_all(op.get_bind())
    for table in metadata.sorted_tables:
        protect(op.get_bind(), table.name)


def _record(metadata: MetaData, name: str, *columns: Column[Any] | Index) -> None:
    Table(
        name,
        metadata,
        Column("seq", Integer, primary_key=True),
        Column("id", String(16), nullable=False, unique=True),
        *columns,
        Column("made_at", String(32), nullable=False),
        Column("made_offset", String(6), nullable=False),
    )


def _link(metadata: MetaData, name: str, one: str, other: str, *columns: Column[Any]) -> None:
    Table(
        name,
        metadata,
        Column(one, String(16), ForeignKey(f"{one[:-3]}.id"), primary_key=True),
        Column(other, String(16), ForeignKey(f"{other[:-3]}.id"), primary_key=True, index=True),
        *columns,
    )


def _ref(name: str, to: str) -> Column[Any]:
    return Column(name, String(16), ForeignKey(to), nullable=False, index=True)


def _maybe(name: str, to: str) -> Column[Any]:
    return Column(name, String(16), ForeignKey(to), nullable=True, index=True)


def _replaces(to: str) -> tuple[Column[Any], Column[Any]]:
    return Column("replaces", String(16), ForeignKey(to), nullable=True, unique=True), _text("reason")


def _text(name: str) -> Column[Any]:
    return Column(name, Text, nullable=False)


def _short(name: str, length: int) -> Column[Any]:
    return Column(name, String(length), nullable=False)


def _count(name: str) -> Column[Any]:
    return Column(name, Integer, nullable=False)


def _big(name: str) -> Column[Any]:
    return Column(name, BigInteger, nullable=False)


def _what_was_done(metadata: MetaData) -> None:
    _record(
        metadata,
        "entry",
        _short("noun", 40),
        _text("name"),
        _text("body"),
        *_replaces("entry.id"),
        Index("ix_entry_noun_name", "noun", "name"),
    )
    _record(
        metadata,
        "take_in",
        _short("kind", 20),
        _text("table_name"),
        _short("table_sha256", 64),
        _text("table_file"),
        *_replaces("take_in.id"),
    )
    _record(
        metadata,
        "picture",
        Column("sha256", String(64), nullable=False, unique=True),
        _text("file"),
        _text("name"),
        _text("media_type"),
        _big("bytes"),
        _text("facts"),
    )
    first = text("replaces IS NULL")
    _record(
        metadata,
        "row",
        _ref("take_in_id", "take_in.id"),
        _short("method", 80),
        _count("method_version"),
        _text("identity"),
        _count("ordinal"),
        _text("body"),
        _count("line"),
        _maybe("picture_id", "picture.id"),
        _text("picture_name"),
        Column("withdrawn", Boolean, nullable=False),
        *_replaces("row.id"),
        Index(
            "uq_row_first",
            "method",
            "identity",
            "ordinal",
            unique=True,
            sqlite_where=first,
            postgresql_where=first,
        ),
    )
    _link(metadata, "take_in_row", "take_in_id", "row_id", _count("line"))
    _record(metadata, "old_score", _ref("take_in_id", "take_in.id"), _count("ordinal"), _text("body"))


def _what_was_measured(metadata: MetaData) -> None:
    _record(
        metadata,
        "read",
        _text("code_version"),
        _text("settings"),
        _big("seed"),
        _text("methods"),
        _count("rows_seen"),
    )
    _record(
        metadata,
        "read_end",
        Column("read_id", String(16), ForeignKey("read.id"), nullable=False, unique=True),
        _text("note"),
    )
    _record(
        metadata,
        "measuring",
        _ref("read_id", "read.id"),
        _maybe("picture_id", "picture.id"),
        _short("method", 80),
        _count("method_version"),
        Column("cache_key", String(80), nullable=False, index=True),
    )
    _link(metadata, "read_measuring", "read_id", "measuring_id")
    _record(
        metadata,
        "outline",
        _maybe("measuring_id", "measuring.id"),
        _ref("row_id", "row.id"),
        _maybe("picture_id", "picture.id"),
        _text("polygon"),
        _short("how", 10),
        *_replaces("outline.id"),
    )
    _record(
        metadata,
        "mark",
        _ref("measuring_id", "measuring.id"),
        _ref("row_id", "row.id"),
        _text("body"),
        _text("flags"),
    )
    _record(
        metadata,
        "refusal",
        _ref("read_id", "read.id"),
        _maybe("measuring_id", "measuring.id"),
        _short("method", 80),
        _text("picture"),
        _text("strip"),
        _text("reason"),
        _text("what_to_do"),
    )


def _what_was_found(metadata: MetaData) -> None:
    def of_read() -> tuple[Column[Any], ...]:
        return _short("method", 80), _count("ordinal"), _text("product"), _short("quantity", 80)

    _record(
        metadata,
        "reading",
        _ref("read_id", "read.id"),
        *of_read(),
        Column("value", Float),
        _text("body"),
        _text("flags"),
    )
    _link(metadata, "reading_mark", "reading_id", "mark_id")
    _record(metadata, "result", _ref("read_id", "read.id"), *of_read(), _text("body"), _text("flags"))
    _link(metadata, "result_reading", "result_id", "reading_id")
    _record(
        metadata,
        "finding",
        _ref("read_id", "read.id"),
        _maybe("result_id", "result.id"),
        _count("ordinal"),
        _text("body"),
    )
    _record(metadata, "publication", _ref("read_id", "read.id"), _text("folder"), _text("files"))
