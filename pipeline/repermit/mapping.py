"""A mapping: how exports with headers, words, clocks and units of their own fill the contract's tables.

Frozen data; `mapping_file` reads them from TOML, `ingest` turns them into SQL. May import `errors`, `contract`.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, fields
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from repermit.contract import BY_NAME, Table
from repermit.errors import CallError

ENCODINGS = (
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "windows-1250", "windows-1251", "windows-1252", "windows-1253",
    "windows-1254", "windows-1257", "latin-1", "iso-8859-2", "iso-8859-5", "iso-8859-7", "iso-8859-9",
    "iso-8859-15", "cp437", "cp850", "cp852", "cp866", "mac-roman", "koi8-r", "shift_jis", "euc-kr", "gb18030", "big5",
)  # fmt: skip
UNITS = {
    "min": {"s": "1/60", "min": "1", "h": "60", "d": "1440", "h:mm": "60"},
    "ohm": {"mohm": "1/1000", "ohm": "1", "kohm": "1000"},
    "V": {"mV": "1/1000", "V": "1"},
}
"""By the contract's unit: what a number in another unit is multiplied by. `h:mm` is hours and minutes."""
CLEANINGS = ("case", "spaces", "dashes", "leading zeros")
AMBIGUOUS = ("set_aside", "first", "second")


@dataclass(frozen=True)
class ColumnMap:
    """What fills one contract column: the cells under `headers` (several are joined by a space), or a constant; with
    `when_given` only in lines where the cell under that header is not empty."""

    name: str
    headers: tuple[str, ...] = ()
    constant: str | None = None
    patterns: tuple[str, ...] = ()
    words: tuple[tuple[str, str], ...] = ()
    unit: str = ""
    clean_id: tuple[str, ...] = ()
    when_given: str = ""


@dataclass(frozen=True)
class TableMap:
    """One contract table that a source fills, with the lines where the cell under `when_given` is not empty."""

    name: str
    columns: tuple[ColumnMap, ...]
    when_given: str = ""

    @property
    def table(self) -> Table:
        """The contract's table."""
        return BY_NAME[self.name]

    @property
    def headers(self) -> list[str]:
        """Every header that it names."""
        asked = [self.when_given, *(c.when_given for c in self.columns)]
        return [h for c in self.columns for h in c.headers] + [h for h in asked if h]


@dataclass(frozen=True)
class SourceMap:
    """How the files of one export are read, and the tables that they fill.

    `zones` names the zone by terminal, or by shop in a table without terminals; `zone` is that of all others.
    """

    files: str
    tables: tuple[TableMap, ...]
    confirmed: bool = True
    delimiter: str = ","
    encoding: str = "utf-8"
    skip_rows: int = 0
    decimal: str = ""
    zone: str = ""
    zones: tuple[tuple[str, str], ...] = ()
    ambiguous: str = "set_aside"

    def digest(self, table: TableMap) -> str:
        """What tells one way of reading a table from another, whatever the files are called."""
        parts = [(f.name, getattr(self, f.name)) for f in fields(self)]
        told = [part for part in parts if part[0] not in ("files", "tables", "confirmed")]
        return hashlib.sha256(repr((told, table)).encode()).hexdigest()


@dataclass(frozen=True)
class Mapping:
    """A mapping file that holds: settings and aliases for the store, and the sources."""

    path: Path
    digest: str
    settings: tuple[tuple[str, Any], ...] = ()
    aliases: tuple[tuple[str, str], ...] = ()
    sources: tuple[SourceMap, ...] = ()

    def source_of(self, file: str) -> SourceMap | None:
        """The source that a file of that name belongs to.

        Raises CallError where two claim it, or where a person has not confirmed it.
        """
        mine = [s for s in self.sources if fnmatchcase(file.lower(), s.files.lower())]
        if len(mine) > 1:
            raise CallError(
                f"{self.path}: {file} belongs to two sources, {' and '.join(repr(s.files) for s in mine)}",
                hint="Let the patterns of `files` tell them apart.",
            )
        if mine and not mine[0].confirmed:
            raise CallError(
                f"{self.path}: the source {mine[0].files!r} is a draft that nobody has confirmed",
                hint="Go through its lines marked # confirm, then remove the line `confirmed = false`.",
            )
        return mine[0] if mine else None


def place_of(table: TableMap) -> ColumnMap | None:
    """The column whose value says in which zone the clock stands: the terminal, else the shop."""
    by_name = {c.name: c for c in table.columns}
    return by_name.get("terminal") or by_name.get("shop")


def has_clock(pattern: str) -> bool:
    """Whether the pattern has an hour."""
    return bool({"H", "I"} & set(re.findall("%(.)", pattern)))
