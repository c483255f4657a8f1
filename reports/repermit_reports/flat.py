"""Tables as rows of plain values, for files that other programs read. May import `page` only."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from repermit_reports.page import Column, Page, Table

Flat = tuple[list[str], list[list[Any]]]


def tables(page: Page) -> Iterator[tuple[str, Table]]:
    """Every table of a page with a short name, in order: those of its sections, then those of the data used."""
    for section in page.sections:
        for table in section.tables:
            yield table.id.removesuffix("-table"), table
    for used in page.data_used:
        if isinstance(used, Table):
            yield used.id.removesuffix("-table"), used


def flat(table: Table) -> Flat:
    """The header and the rows: values unrounded, limits and the two numbers of a share in columns of their own.

    What is not known is None.
    """
    columns = [_columns(c, [row[at] for row in table.rows]) for at, c in enumerate(table.columns)]
    names = [name for own, _ in columns for name in own]
    rows = [[v for _, values in columns for v in values[at]] for at in range(len(table.rows))]
    return names, rows


def _columns(column: Column, cells: list[Any]) -> tuple[list[str], list[list[Any]]]:
    """The columns that one column of a table fills, by name, and their values row by row."""
    unit = f" ({column.unit})" if column.unit and column.unit != "%" else ""
    name = f"{column.label}{unit}"
    if column.kind == "interval":
        limits = [f"{name}, from", f"{name}, to"]
        if any(cell is not None and len(cell) == 2 for cell in cells):
            return limits, [[None, None] if cell is None else list(cell) for cell in cells]
        return [name, *limits], [[None] * 3 if cell is None else list(cell) for cell in cells]
    if column.kind == "share":
        return [name, f"{name}, of"], [[None, None] if cell is None else list(cell) for cell in cells]
    if column.kind == "link":
        return [name], [[None if cell is None else cell[0]] for cell in cells]
    return [name], [[cell] for cell in cells]
