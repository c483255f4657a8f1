"""Finds CSV files, and knows their tables by the header or by the mapping.

May import `errors`, `contract`, `mapping` and its neighbour `plain_text`. `lines` reads what is found here.
"""

from __future__ import annotations

import csv
import difflib
import gzip
import hashlib
import io
import zlib
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from repermit.contract import BY_NAME, TABLES, Table
from repermit.errors import CallError, DataError
from repermit.ingest import mend
from repermit.ingest.plain_text import Lines, check_text, digest_of, open_bytes, plain_copy
from repermit.mapping import Mapping, SourceMap, TableMap

HEADER_BYTES = 1 << 20


@dataclass(frozen=True)
class Source:
    """One CSV file that can be read: `name` as told to people, `readable` the file that the engine reads.

    A file that fills several tables by a mapping is as many sources.
    """

    path: Path
    name: str
    table: Table
    header: tuple[str, ...]
    """The contract columns that it fills."""
    digest: str
    """Hash of the file and of the way in which it is read."""
    content: str
    """Hash of the file alone; of a table that a file fills twice, with the place among the two."""
    size: int
    cells: tuple[str, ...]
    """The header of the file."""
    readable: Path
    zipped: bool
    """Whether `readable` is compressed, whatever it is called."""
    bom: int
    """Bytes of the byte order mark before the header."""
    line_end: int
    """Bytes that end a line: 1 or 2."""
    above: int = 0
    """Lines of the file above the first of `readable`."""
    how: tuple[SourceMap, TableMap] | None = None
    """How a mapping has it read."""
    leads: bool = True
    """Whether lines that belong to no table are this source's: it is the first of its file."""
    mends: bool = False
    """Whether it is of a file to mend, so that `cells` begins with the row that waits and the line in the file."""
    lines: Lines | None = None
    """What was seen of its lines, where they are the rows."""

    @property
    def delimiter(self) -> str:
        """What separates its columns."""
        return self.how[0].delimiter if self.how else ","

    @property
    def in_print(self) -> bool:
        """Whether its cells are known to have no control character."""
        return self.lines is not None and self.lines.in_print

    @property
    def quoted(self) -> bool:
        """Whether a cell may be quoted, and so hold a line break."""
        return self.lines is None or self.lines.quoted

    @property
    def rows_at_most(self) -> int:
        """How many lines there are below the header; 0 where they were not counted."""
        return self.lines.count - 1 if self.lines else 0

    @property
    def adds_up(self) -> bool:
        """Whether its lines count one load each, and are added up."""
        return self.table.name == "loads" and "loads" not in self.header

    @property
    def may_stray(self) -> bool:
        """Whether its file may hold lines that belong to no table."""
        return self.leads and self.how is not None and all(t.when_given for t in self.how[0].tables)


def find(paths: list[Path], mapping: Mapping | None = None) -> list[tuple[Path, str]]:
    """The CSV files under the paths, and those that a mapping names, each with its name: from the folder that was
    given on, or its own."""
    found: dict[Path, str] = {}
    for path in paths:
        if path.is_dir():
            inside = sorted(
                p
                for p in path.rglob("*")
                if p.is_file()
                and (p.name.lower().endswith((".csv", ".csv.gz")) or (mapping and mapping.source_of(p.name)))
            )
            if not inside:
                raise CallError(
                    f"no CSV file in the folder {path}",
                    hint="repermit reads files that end in .csv or .csv.gz.",
                )
            for file in inside:
                found.setdefault(
                    file.resolve(), (Path(path.resolve().name) / file.relative_to(path)).as_posix()
                )
        elif path.exists():
            found.setdefault(path.resolve(), path.name)
        else:
            raise CallError(f"there is no file or folder {path}", hint="Check the spelling of the path.")
    if not found:
        raise CallError("no file to read", hint="Give CSV files or folders: repermit ingest FOLDER")
    return sorted(found.items(), key=lambda item: (item[1], str(item[0])))


def recognise(path: Path, name: str, scratch: Path, mapping: Mapping | None = None) -> list[Source]:
    """Check that the file is text, find its tables by the mapping or by its header, and hash it.

    Raises DataError with file, line and column where it cannot be read as data, and CallError where the mapping
    names a column that it lacks.
    """
    told = str(path).encode(errors="replace").decode()
    if told != str(path):
        raise DataError(f"{told}: the file's name or folder is not UTF-8", hint="Rename it.")
    how = mapping.source_of(path.name) if mapping else None
    try:
        with ThreadPoolExecutor(1) as other:  # it hashes while the text is looked through
            return _recognise(path, name, scratch, how, other.submit(digest_of, path))
    except (gzip.BadGzipFile, zlib.error, EOFError) as error:
        raise DataError(f"{name}: the compressed file is damaged ({error})", hint="Copy it again.") from error
    except OSError as error:
        raise DataError(f"{name}: cannot be read: {error.strerror}", hint="Check its rights.") from error


def _recognise(
    path: Path, name: str, scratch: Path, how: SourceMap | None, hashed: Future[str]
) -> list[Source]:
    with path.open("rb") as raw:
        zipped = raw.read(2) == b"\x1f\x8b"
    readable, line_end, above = path, 1, how.skip_rows if how else 0
    plain = scratch / f"{hashlib.sha256(str(path).encode()).hexdigest()[:16]}.csv"
    if (delimiter := mend.delimiter_of(path, zipped)) is not None:
        return _to_mend(path, name, zipped, delimiter, scratch, hashed.result())
    if how and (how.encoding != "utf-8" or above):
        plain_copy(path, plain, name, zipped, how.encoding, above)
        readable, zipped = plain, False
    lines = check_text(readable, name, zipped, above)
    header = _header(readable, name, zipped, how)
    table = None if how else table_of(header, name)
    if not lines.plain:
        plain_copy(path, plain, name, zipped)
        readable, zipped = plain, False
    elif lines.crlf:
        line_end = 2
    with open_bytes(readable, zipped) as file:
        bom = 3 if file.read(3) == b"\xef\xbb\xbf" else 0
    rest = (readable, zipped, bom, line_end, above)
    digest, size = hashed.result(), path.stat().st_size
    if table:
        return [Source(path, name, table, header, digest, digest, size, header, *rest, lines=lines)]
    assert how
    found: list[Source] = []
    for part in how.tables:
        _check_named(how, part, header, name)
        fills = tuple(c.name for c in part.columns)
        way = hashlib.sha256(f"{digest} {how.digest(part)}".encode()).hexdigest()
        before = sum(s.table is part.table for s in found)
        content = f"{digest}#{before + 1}" if before else digest
        found.append(
            Source(path, name, part.table, fills, way, content, size, header, *rest, (how, part), not found)
        )
    return found


def _to_mend(path: Path, name: str, zipped: bool, delimiter: str, scratch: Path, digest: str) -> list[Source]:
    """The sources of a file to mend, one a table."""
    check_text(path, name, zipped)
    found, size = [], path.stat().st_size
    for table, readable in mend.split(path, name, zipped, delimiter, scratch, digest[:16]).items():
        own = tuple(c.name for c in BY_NAME[table].all_columns)
        mark = hashlib.sha256(f"{digest} mends {table}".encode()).hexdigest()
        cells = (*mend.LEADS, *own)
        found.append(
            Source(
                path,
                name,
                BY_NAME[table],
                own,
                mark,
                mark,
                size,
                cells,
                readable,
                False,
                0,
                1,
                leads=True,
                mends=True,
            )
        )
    return found


def _check_named(how: SourceMap, part: TableMap, header: tuple[str, ...], name: str) -> None:
    """Raise CallError where the mapping names a column that the file lacks or has twice."""
    for wanted in part.headers:
        if header.count(wanted) == 1:
            continue
        what = "stands twice in" if wanted in header else "is not in"
        like = difflib.get_close_matches(wanted, header, 1)
        hint = f"Did you mean {like[0]!r}?" if like else f"Its header: {_short(header)}."
        raise CallError(
            f"{name}: the column {wanted!r}, which the mapping of {how.files!r} names for {part.name}, {what} the header",
            hint="Rename one of them." if wanted in header else hint,
        )


def _header(path: Path, name: str, zipped: bool, how: SourceMap | None) -> tuple[str, ...]:
    line = 1 + (how.skip_rows if how else 0)
    with open_bytes(path, zipped) as file:
        start = file.read(HEADER_BYTES).decode("utf-8-sig", errors="ignore")
    if not start.strip():
        raise DataError(f"{name}: the file is empty, not even a header", hint="See: repermit contract")
    try:
        first = next(csv.reader(io.StringIO(start, newline=""), delimiter=how.delimiter if how else ","))
    except csv.Error as error:
        raise DataError(
            f"{name}, line {line}: this is no header ({error})", hint="See: repermit contract"
        ) from error
    header = tuple(cell.strip(" \t") for cell in first)
    if not any(header):
        raise DataError(f"{name}, line {line}: the line is blank", hint="Let the header be the first line.")
    if not how:
        _check_header(header, name)
    return header


def _check_header(header: tuple[str, ...], name: str) -> None:
    """Raise DataError unless commas separate the names of a header that has each once."""
    if len(header) == 1:
        for delimiter, words in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
            if delimiter in header[0]:
                raise DataError(
                    f"{name}, line 1: the columns are separated by {words}, not commas",
                    hint="Export it with commas, or name the delimiter in a mapping file.",
                )
    if "" in header:
        column = header.index("") + 1
        raise DataError(
            f"{name}, line 1: column {column} has no name", hint="Name it, or remove it from every line."
        )
    twice = sorted({cell for cell in header if header.count(cell) > 1})
    if twice:
        raise DataError(f"{name}, line 1: the column {twice[0]!r} stands twice", hint="Rename or remove one.")


def table_of(header: tuple[str, ...], name: str) -> Table:
    """The table whose columns these are.

    Raises DataError for an unknown or ambiguous header, with the nearest table and what is missing.
    """
    given = set(header)
    fits = [t for t in TABLES if not _missing(t, given) and given <= {c.name for c in t.all_columns}]
    if len(fits) == 1:
        return fits[0]
    if fits:
        names = " and ".join(t.name for t in fits)
        raise DataError(
            f"{name}, line 1: the header fits the tables {names}", hint="Add a column that tells."
        )
    nearest = max(TABLES, key=lambda t: _likeness(t, given))
    if not given & {c.name for c in nearest.columns}:
        raise DataError(
            f"{name}, line 1: no column of this header is known: {_short(header)}",
            hint="The columns of every table: repermit contract. A first mapping: repermit contract --draft-mapping FILE",
        )
    raise DataError(_unlike(nearest, given, name), hint=f"The columns of {nearest.name}: repermit contract")


def _missing(table: Table, given: set[str]) -> list[str]:
    missing = [c.name for c in table.columns if c.required and c.name not in given]
    if table.any_of and not given & set(table.any_of):
        missing.append(" or ".join(table.any_of))
    return missing


def _likeness(table: Table, given: set[str]) -> float:
    names = {c.name for c in table.all_columns}
    return len(names & given) / len(names | given) - 0.1 * len(_missing(table, given))


def _unlike(table: Table, given: set[str], name: str) -> str:
    what = f"{name}, line 1: the header fits no table; the nearest is {table.name}"
    if missing := _missing(table, given):
        what += f", which also needs {_short(missing)}"
    names = [c.name for c in table.all_columns]
    if unknown := sorted(given - set(names)):
        guesses = []
        for cell in unknown[:5]:
            like = difflib.get_close_matches(cell, names, 1)
            guesses.append(f"{cell!r}" + (f" (did you mean {like[0]}?)" if like else ""))
        what += f"; it has no column {', '.join(guesses)}" + (" and more" if len(unknown) > 5 else "")
    return what


def _short(names: tuple[str, ...] | list[str]) -> str:
    shown = ", ".join(n if len(n) <= 40 else n[:40] + "..." for n in names[:8])
    return shown + (f" and {len(names) - 8} more" if len(names) > 8 else "")
