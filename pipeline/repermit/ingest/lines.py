"""Reads the files that `files` found into the engine: rows as text, and where each of them stands in its file.

May import `errors`, `warehouse` and its neighbours. Nothing is typed or judged here.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from repermit.errors import DataError
from repermit.ingest.files import Source
from repermit.ingest.translate import belongs, translated
from repermit.warehouse import Connection, literal, one, quote


def _one_file(source: Source) -> str:
    """SQL: the arguments that have the engine read this one file, whatever its name and folders look like."""
    path = re.sub(r"[*?\[]", r"[\g<0>]", str(source.readable))  # these three would match other files
    compression = "gzip" if source.zipped else "none"
    return f"{literal(path)}, auto_detect = false, compression = '{compression}', hive_partitioning = false"


def _in_order(con: Connection, name: str, query: str, number: str, start: int) -> None:
    """`name`: what a query reads from a file, with each row's place in the file as `number`, from `start`."""
    con.execute(
        "set preserve_insertion_order = true"
    )  # so that ids of rows follow the file, though all threads read
    con.execute(f"create or replace temp table {name}_kept as {query}")
    con.execute("set preserve_insertion_order = false")
    first = one(con, f"select coalesce(min(rowid), 0) from {name}_kept")
    con.execute(
        f"create or replace temp view {name} as select rowid - {first} + {start} as {number}, * from {name}_kept"
    )


def _cells_of(con: Connection, source: Source, into: str) -> str:
    """A query of the rows of the file as text, one column a cell. Lines that break the file's form go to
    `<into>_rejects` as it is asked."""
    columns = "{" + ", ".join(f"{literal(_cell(i))}: 'VARCHAR'" for i in range(len(source.cells))) + "}"
    rejects = f"{into}_rejects"
    con.execute(f"drop table if exists {rejects}; drop table if exists {rejects}_scan")
    return (
        f"select * from read_csv({_one_file(source)}, header = true,"
        f" delim = {literal(source.delimiter)}, quote = '\"', escape = '\"', columns = {columns},"
        f" store_rejects = true, rejects_table = '{rejects}', rejects_scan = '{rejects}_scan', rejects_limit = 0)"
    )


def _cell(place: int) -> str:
    """What a column of the file is called in SQL, whatever its header says."""
    return f"c{place}"


def _named(source: Source) -> Callable[[str], str]:
    """SQL of the cell under a header."""
    return lambda header: _cell(source.cells.index(header))


def read(con: Connection, source: Source, into: str) -> None:
    """Read the file as text into the temporary relation `into`.

    Columns: those of the contract, null where nothing fills one, and `row_no`, the place in the file from 0. Broken
    lines go to `<into>_broken` with their byte position and text, rows that belong to no table to `<into>_stray`.
    """
    _in_order(con, f"{into}_rows", _cells_of(con, source, into), "row_no", 0)
    # A view of the cells, which costs no copy and tells the engine which columns are empty throughout.
    lines, kind = f"{into}_rows", "view"
    if source.how:
        lines, kind = f"({translated(*source.how, _named(source), lines)})", "table"
        fills = {name: quote(name) for name in source.header}
    else:
        fills = _filled_by(source)
    select = _as_columns(source, fills)
    if source.mends:
        select += f", try_cast({_cell(0)} as bigint) as mends, cast({_cell(1)} as bigint) as mend_line, {_cell(2)} is not null as dropped"
    con.execute(f"create or replace temp {kind} {into} as select row_no, {select} from {lines}")
    take_broken(con, into)
    if source.how and source.may_stray:
        none = " and ".join(f"not ({belongs(t, _named(source))})" for t in source.how[0].tables)
        con.execute(f"insert into {into}_stray select row_no from {into}_rows where {none}")


def stream(con: Connection, source: Source, into: str) -> None:
    """`into` as `read` makes it of a file without a mapping, but as a view of the file itself: no row is kept, and none
    knows its place. Once its rows were asked for `take_broken` is to be called."""
    cells, columns = _cells_of(con, source, into), _as_columns(source, _filled_by(source))
    con.execute(
        f"create or replace temp view {into} as select cast(null as bigint) as row_no, {columns} from ({cells})"
    )


def take_broken(con: Connection, into: str) -> None:
    """`<into>_broken`, of what was rejected, with how many lines each takes; and an empty `<into>_stray`."""
    con.execute(
        f"create or replace temp table {into}_broken as select line_byte_position"
        " + length(csv_line) - length(ltrim(csv_line, chr(10) || chr(13))) as byte,"
        " min(trim(csv_line, chr(10) || chr(13))) as raw,"
        " 1 + length(raw) - length(replace(raw, chr(10), '')) as tall,"
        f" cast(null as bigint) as line from {into}_rejects group by byte"
    )
    con.execute(
        f"create or replace temp table {into}_stray as select cast(null as bigint) as row_no where false"
    )


def _filled_by(source: Source) -> dict[str, str]:
    """What fills the columns of the contract in a file without a mapping: the cells under their names."""
    return {name: _cell(place) for place, name in enumerate(source.cells)}


def _as_columns(source: Source, fills: dict[str, str]) -> str:
    """SQL of the columns of the contract."""
    # A line break within a cell is the same whatever ends the lines of the file.
    if source.line_end == 2:
        fills = {name: f"replace({cell}, chr(13) || chr(10), chr(10))" for name, cell in fills.items()}
    return ", ".join(
        f"{fills.get(c.name, 'cast(null as varchar)')} as {quote(c.name)}" for c in source.table.all_columns
    )


def locate(con: Connection, source: Source, into: str, wanted: str = "") -> None:
    """Make `<into>_at` (row_no, line, raw): where each row of the file stands in it, and its line as read;
    and add `line` to `<into>_broken`. `wanted` is a query of the row numbers that are asked for, if not all.

    Rows are in file order. A row takes one line, and one more for each run of line breaks inside its quotes;
    blank lines and broken ones are stepped over. `line` counts from 1.
    """
    _number_lines(con, source, into)
    asked = f"select distinct row_no from ({wanted or f'select row_no from {into}_rows'})"
    over = f"exists (select 1 from {into}_lines where line > 1 and raw = '') or exists (from {into}_broken)"
    steps_over = bool(one(con, f"select {over}"))
    if source.quoted or steps_over:
        _find_lines(con, source, into, asked, steps_over)
    else:  # a row a line, below the header
        con.execute(
            f"create or replace temp table {into}_at as select row_no, line, raw"
            f" from ({asked}) join {into}_lines on line = row_no + 2"
        )
    if one(con, f"select count(*) from {into}_at") != one(con, f"select count(*) from ({asked})"):
        raise DataError(f"{source.name}: its lines cannot be told apart", hint="Export it as plain CSV.")
    if source.above:
        for relation in ("at", "broken"):
            con.execute(f"update {into}_{relation} set line = line + {source.above}")
    if source.mends:
        con.execute(
            f"update {into}_at a set line = s.mend_line, raw = regexp_replace(a.raw, '^([^,]*,){{3}}', '')"
            f" from {into} s where s.row_no = a.row_no"
        )


def _find_lines(con: Connection, source: Source, into: str, asked: str, steps_over: bool) -> None:
    """`<into>_at` where rows may take several lines, or lines are stepped over."""
    cells = [_cell(i) for i in range(len(source.cells))]
    several = " or ".join(f"contains({c}, chr(10)) or contains({c}, chr(13))" for c in cells)
    several = several if source.quoted else "false"
    breaks = " + ".join(f"len(regexp_extract_all(coalesce({c}, ''), '[\\r\\n]+'))" for c in cells)
    con.execute(
        f"create or replace temp table {into}_spans as select row_no, {breaks} as more from {into}_rows where {several}"
    )
    con.execute(
        f"create or replace temp table {into}_wanted as select row_no, span, place from (select row_no, asked,"
        " 1 + coalesce(more, 0) as span, 1 + row_no + coalesce(sum(more) over"
        " (order by row_no rows between unbounded preceding and 1 preceding), 0) as place"
        f" from (select *, true as asked from ({asked})) full join {into}_spans using (row_no)) where asked"
    )
    free = f"select line, line - 1 as place from {into}_lines where line > 1"
    if steps_over:
        free = (
            f"select line, row_number() over (order by line) as place from {into}_lines"
            f" where line > 1 and raw <> '' and line not in (select unnest(range(line, line + tall)) from {into}_broken)"
        )
    ends = f"select place from {into}_wanted union all select place + span - 1 from {into}_wanted"
    con.execute(f"create or replace temp table {into}_free as from ({free}) where place in ({ends})")
    con.execute(
        f"create or replace temp table {into}_at as with ends as (select s.row_no, a.line as first, z.line as last"
        f" from {into}_wanted s join {into}_free a on a.place = s.place"
        f" join {into}_free z on z.place = s.place + s.span - 1)"
        f" select row_no, first as line, string_agg(l.raw, chr(10) order by l.line) as raw"
        f" from (select row_no, first, unnest(range(first, last + 1)) as line from ends) e"
        f" join {into}_lines l using (line) group by row_no, first"
    )


def _number_lines(con: Connection, source: Source, into: str) -> None:
    """`<into>_lines`: every line of the file with its number; and the number of each broken line, by its first byte."""
    lines = (
        f"select coalesce(raw, '') as raw from read_csv({_one_file(source)}, header = false,"
        " delim = chr(0), quote = '', escape = '', columns = {'raw': 'VARCHAR'})"
    )
    _in_order(con, f"{into}_lines", lines, "line", 1)
    if not one(con, f"select exists (from {into}_broken)"):
        return
    bytes_above = (
        f"coalesce(sum(strlen(raw) + {source.line_end}) over"
        " (order by line rows between unbounded preceding and 1 preceding), 0)"
    )
    con.execute(
        f"create or replace temp table {into}_broken as select b.* replace (l.line as line)"
        f" from {into}_broken b asof join"
        f" (select line, 1 + {source.bom} + {bytes_above} as byte from {into}_lines) l on b.byte >= l.byte"
    )
