"""What the tables are declared with: types that mean the same on SQLite and PostgreSQL, and the list that all tables stand in."""

from __future__ import annotations

import sqlalchemy
from sqlalchemy import BigInteger, Column, Index, MetaData, text

# Whole numbers have 64 bits and text sorts by its bytes on both; a locale's order would change with the server's system library
Integer = BigInteger().with_variant(sqlalchemy.Integer(), "sqlite")
Text = sqlalchemy.Text().with_variant(sqlalchemy.Text(collation="C"), "postgresql")

metadata = MetaData()


def row_id() -> Column[int]:
    """Give the column of a row's own number."""
    return Column("id", Integer, primary_key=True, autoincrement=True)


def part_index(name: str, *columns: str, where: str, unique: bool = False) -> Index:
    """Give an index of the rows that ``where`` names; it serves the queries that say the same words."""
    return Index(name, *columns, unique=unique, sqlite_where=text(where), postgresql_where=text(where))
