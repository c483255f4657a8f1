"""SQL of the columns of a table that reconciliation works with. Text only. May import `contract` and `warehouse`."""

from __future__ import annotations

from repermit.contract import Table
from repermit.warehouse import quote, typed_columns


def typed_names(table: Table) -> list[str]:
    """The typed columns."""
    return [name for name, _ in typed_columns(table)]


def listed(names: list[str] | tuple[str, ...], prefix: str = "") -> str:
    """SQL of a list of columns."""
    return ", ".join(prefix + quote(name) for name in names)


def same(names: list[str] | tuple[str, ...], a: str, b: str) -> str:
    """SQL: two rows agree in these columns; null equals null."""
    return " and ".join(f"{a}.{quote(n)} is not distinct from {b}.{quote(n)}" for n in names)


def key_of(table: Table) -> list[str]:
    """The typed columns of the key."""
    return [name for name in typed_names(table) if name.removesuffix("_until") in table.key]


def shared(table: Table) -> list[str]:
    """The columns in which lines that add up to one row agree."""
    return [name for name in typed_names(table) if (table.name, name) != ("loads", "loads")]
