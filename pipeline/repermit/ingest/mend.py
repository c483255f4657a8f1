"""Reads a file in which rows that were set aside have been mended: one plain CSV file a table, for the engine.

May import `contract`, `errors`, `mending` and its neighbour `plain_text`. A spreadsheet may have written the file:
with a byte order mark, other line ends, semicolons or tabs, and without the empty cells at the end of a line.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from repermit.contract import BY_NAME, Table
from repermit.errors import DataError
from repermit.ingest.plain_text import open_bytes
from repermit.mending import ABOUT, bare, is_header

HEADER_BYTES = 1 << 16
LEADS = ("waiting_id", "mend_line", "drop")
"""The columns before those of the contract in the plain files: the row that is mended, its line in the file, and
whether it is dropped."""
YES, NO = ("yes", "true", "1", "x"), ("no", "false", "0", "")


def delimiter_of(path: Path, zipped: bool) -> str | None:
    """What separates the columns of a file to mend; None where it is another file."""
    with open_bytes(path, zipped) as file:
        start = file.read(HEADER_BYTES).decode("utf-8-sig", errors="ignore")
    first = re.split(r"[\r\n]", start, maxsplit=1)[0]
    for delimiter in (",", ";", "\t"):
        if is_header([cell.strip(' "') for cell in first.split(delimiter)]):
            return delimiter
    return None


def split(path: Path, name: str, zipped: bool, delimiter: str, into: Path, stem: str) -> dict[str, Path]:
    """Write the rows of each table to a plain file in the folder `into`; returns the files by table.

    Raises DataError with the line where a row cannot be one of its table.
    """
    written: dict[str, Path] = {}
    csv.field_size_limit(1 << 24)
    with ExitStack() as files:
        raw = files.enter_context(open_bytes(path, zipped))
        text = io.TextIOWrapper(raw, encoding="utf-8-sig", newline="")
        writers: dict[str, Any] = {}
        for line, table, cells in _rows(csv.reader(text, delimiter=delimiter), name):
            if table.name not in writers:
                written[table.name] = into / f"{stem}-{table.name}.csv"
                out = files.enter_context(written[table.name].open("w", encoding="utf-8", newline=""))
                writers[table.name] = csv.writer(out, lineterminator="\n")
                writers[table.name].writerow([*LEADS, *(c.name for c in table.all_columns)])
            writers[table.name].writerow(
                [
                    cells["waiting_id"],
                    line,
                    cells["drop"],
                    *(cells.get(c.name, "") for c in table.all_columns),
                ]
            )
    return written


def _rows(reader: Any, name: str) -> Iterator[tuple[int, Table, dict[str, str]]]:
    """Line, table and cells of every row."""
    try:
        header = [cell.strip() for cell in next(reader)]
        if len(set(header)) < len(header):
            raise DataError(f"{name}, line 1: a column stands twice", hint="Remove one.")
        last = reader.line_num
        for row in reader:
            line, last = last + 1, reader.line_num
            if any(cell.strip() for cell in row):
                yield line, *_row(header, row, f"{name}, line {line}")
    except csv.Error as error:
        raise DataError(
            f"{name}, line {reader.line_num}: cannot be read ({error})", hint="Save it as CSV."
        ) from error


def _row(header: list[str], row: list[str], where: str) -> tuple[Table, dict[str, str]]:
    if any(cell.strip() for cell in row[len(header) :]):
        raise DataError(f"{where}: it has more cells than the header", hint="Move them to their columns.")
    cells = {name: _cell(cell) for name, cell in zip(header, row, strict=False)}
    table = BY_NAME.get(cells.get("table", "").strip())
    if table is None:
        told = cells.get("table", "")[:40]
        raise DataError(f"{where}: there is no table {told!r}", hint=f"One of {', '.join(BY_NAME)}.")
    own = {c.name for c in table.all_columns}
    for column, cell in cells.items():
        if cell.strip() and column not in own and column not in ABOUT:
            raise DataError(
                f"{where}: {table.name} has no column {column[:40]!r}", hint="Move or clear the cell."
            )
    if missing := sorted(own - set(header)):
        raise DataError(
            f"{where}: the header lacks the column {missing[0]}",
            hint="Leave the columns as they were written.",
        )
    waiting = re.fullmatch(r"\s*(\d{1,18})?(\.0*)?\s*", cells["waiting_id"])
    if waiting is None:
        raise DataError(
            f"{where}: the waiting_id is no number",
            hint="Leave it as it was written, or empty for a new row.",
        )
    drop = cells.get("drop", "").strip().lower()
    if drop not in YES + NO:
        raise DataError(f"{where}: drop is {drop[:40]!r}", hint="Write yes to drop the row, or nothing.")
    if drop in YES and not waiting[1]:
        raise DataError(f"{where}: drop without a waiting_id", hint="Remove the line.")
    return table, cells | {"waiting_id": waiting[1] or "", "drop": "yes" if drop in YES else ""}


def _cell(cell: str) -> str:
    """A cell as it was before it was made inert, line ends of any kind alike."""
    return bare(cell.replace("\r\n", "\n").replace("\r", "\n"))
