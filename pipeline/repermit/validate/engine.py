"""Lets Great Expectations ask the open DuckDB connection, with no telemetry and no files of its own.

Great Expectations fetches after its connection has moved on, so the cursor here fetches everything at once.
Imports great_expectations (slow: import this module only inside the command that needs it).
"""

from __future__ import annotations

import logging
import os
import socket
import warnings
from dataclasses import dataclass
from typing import Any

from repermit.warehouse import Connection

os.environ["GX_ANALYTICS_ENABLED"] = "false"  # before the import, which reads it

has_ipv6, socket.has_ipv6 = socket.has_ipv6, False  # else urllib3, which it brings, opens a socket to try it
with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # deprecations within the libraries that it brings
    import great_expectations as gx
    from great_expectations.data_context.types.base import ProgressBarsConfig
    from great_expectations.expectations.core.unexpected_rows_expectation import (
        UnexpectedRowsExpectation,
    )
    from great_expectations.expectations.metadata_types import FailureSeverity
    from sqlalchemy.pool import StaticPool
socket.has_ipv6 = has_ipv6

logging.getLogger("great_expectations").setLevel(logging.CRITICAL)


class _Cursor:
    """A cursor that holds all rows of its statement."""

    arraysize = 1
    rowcount = -1

    def __init__(self, con: Connection, owner: _Shared) -> None:
        self.con, self.connection = con, owner
        self.rows: list[Any] = []
        self.description: Any = None

    def execute(self, statement: str, parameters: Any = None, context: Any = None) -> None:
        """Run and fetch; transactions belong to the store, not to the one who asks."""
        if statement.strip().lower() in ("begin", "commit", "rollback"):
            return
        self.con.execute(statement, parameters or None)
        self.description = self.con.description
        self.rows = self.con.fetchall()

    def fetchone(self) -> Any:
        """The next row, or None."""
        return self.rows.pop(0) if self.rows else None

    def fetchmany(self, size: int | None = None) -> list[Any]:
        """The next rows."""
        found, self.rows = self.rows[: size or 1], self.rows[size or 1 :]
        return found

    def fetchall(self) -> list[Any]:
        """The rows that are left."""
        found, self.rows = self.rows, []
        return found

    def close(self) -> None:
        """Nothing to close."""


class _Shared:
    """The open connection, shared: it is neither committed nor closed from here."""

    closed = False
    autocommit = None
    notices: tuple[str, ...] = ()

    def __init__(self, con: Connection) -> None:
        self.con = con

    def cursor(self) -> _Cursor:
        """A new cursor."""
        return _Cursor(self.con, self)

    def begin(self) -> None:
        """Left to the store."""

    commit = rollback = close = begin


@dataclass(frozen=True)
class Expectation:
    """One expectation: `query` selects what breaks it from `{batch}`."""

    name: str
    text: str
    query: str
    blocks: bool


def ask(con: Connection, name: str, relation: str, expectations: list[Expectation]) -> list[int]:
    """How many rows of `relation` break each expectation. Raises RuntimeError where one cannot be asked."""
    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    source = context.data_sources.add_sql(  # type: ignore[call-arg]
        name,
        connection_string="duckdb:///:memory:",
        create_temp_table=False,
        kwargs={"creator": lambda: _Shared(con), "poolclass": StaticPool},
    )
    batch = source.add_query_asset(name, f"select * from {relation}").add_batch_definition_whole_table(
        "whole"
    )
    suite = gx.ExpectationSuite(
        name,
        expectations=[
            UnexpectedRowsExpectation(
                unexpected_rows_query=_escaped(e.query),
                description=e.text,
                severity=FailureSeverity.CRITICAL if e.blocks else FailureSeverity.WARNING,
                meta={"rule": e.name},
            )
            for e in expectations
        ],
    )
    result: dict[str, Any] = batch.get_batch().validate(suite).to_json_dict()  # type: ignore[no-untyped-call]
    counts: dict[str, int] = {}
    for one in result["results"]:
        if one["exception_info"].get("raised_exception", True):
            raise RuntimeError(
                f"{name}: the expectation {one['expectation_config']['meta']['rule']} could not be asked"
            )
        counts[one["expectation_config"]["meta"]["rule"]] = int(one["result"]["observed_value"])
    return [counts[e.name] for e in expectations]


def _escaped(query: str) -> str:
    """Braces doubled but for `{batch}`, and colons kept from being taken for parameters."""
    doubled = query.replace("{", "{{").replace("}", "}}").replace("{{batch}}", "{batch}")
    return doubled.replace(":", "\\:")
