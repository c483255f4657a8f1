"""What is asked of an open store: names and texts as SQL, the rows of a query, columns brought in.

May import nothing of the package.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

if TYPE_CHECKING:
    import polars as pl

Connection = duckdb.DuckDBPyConnection
Parameters = Sequence[Any] | Mapping[str, Any] | None


def quote(name: str) -> str:
    """An SQL identifier, quoted: the one place where a name becomes SQL."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str | Path) -> str:
    """An SQL string, quoted: for the few places that take no parameter, such as the path of a file to read."""
    return "'" + str(text).replace("'", "''") + "'"


def rows(con: Connection, sql: str, parameters: Parameters = None) -> list[tuple[Any, ...]]:
    """All rows of a query."""
    return con.execute(sql, parameters).fetchall()


def records(con: Connection, sql: str, parameters: Parameters = None) -> list[dict[str, Any]]:
    """All rows of a query, each as a dict by column name."""
    cursor = con.execute(sql, parameters)
    names = [column[0] for column in cursor.description or []]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def frame(con: Connection, sql: str, parameters: Parameters = None) -> pl.DataFrame:
    """All rows of a query as a Polars frame."""
    import polars as pl

    return pl.DataFrame(con.sql(sql, params=parameters))


def one(con: Connection, sql: str, parameters: Parameters = None) -> Any:
    """The single value of a query."""
    found = rows(con, sql, parameters)
    return found[0][0] if found else None


def bring(con: Connection, name: str, columns: Mapping[str, Any]) -> None:
    """A temporary table of arrays, or lists of text, of one length."""
    import numpy as np

    arrays = {
        column: np.array(given, dtype=object) if isinstance(given, list) else given
        for column, given in columns.items()
    }
    con.register("brought", arrays)
    con.execute(f"create or replace temp table {quote(name)} as select * from brought")
    con.unregister("brought")
