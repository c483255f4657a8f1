"""Turns the contract's rules into SQL: text to typed rows, and which rules a row fails.

Ingest and validate both judge with this SQL, so that their counts can be held against each other. Builds
text only; runs nothing. May import `contract` and `warehouse` (for quoting).
"""

from __future__ import annotations

from collections.abc import Collection

from repermit.contract import KINDS, LINE_RULES, Column, Rule, Table
from repermit.warehouse import literal, quote, typed_columns

IS_ROW = f"not list_has_any(reasons, [{', '.join(literal(rule.name) for rule in LINE_RULES)}])"
"""SQL of a waiting row that has columns, and so is judged again."""
BLANKS = literal(" \t\n\r")
"""SQL of what does not count at either end of a cell."""


def clean(column: str) -> str:
    """A cell as read: without blanks and line breaks around it, empty = not known.

    Most cells have none at either end, which costs less to see than to trim.
    """
    trimmed = f"nullif(trim({column}, {BLANKS}), '')"
    return f"case when {column} >= '!' and {column}[-1] > ' ' then {column} else {trimmed} end"


def text_struct(table: Table, source: str = "s", lacking: Collection[str] = ()) -> str:
    """The row as read, as a struct, from a relation of text columns, of which some are `lacking` in all rows."""

    def cell(name: str) -> str:
        return "cast(null as varchar)" if name in lacking else clean(f"{source}.{quote(name)}")

    cells = (f"{quote(c.name)}: {cell(c.name)}" for c in table.all_columns)
    return "{" + ", ".join(cells) + "}"


def _typed(column: Column) -> list[tuple[str, str]]:
    """Name and SQL of the typed value(s) of a column; unreadable text gives null, never an error."""
    kind, cell = KINDS[column.kind], f"text.{quote(column.name)}"
    if column.kind == "text":
        value = cell
    elif column.kind == "flag":
        value = f"case when lower({cell}) in ('yes', 'true', '1') then true when lower({cell}) in ('no', 'false', '0') then false end"
    elif column.kind == "time":
        day = KINDS["day"].pattern
        value = (
            f"case when regexp_full_match({cell}, {literal(kind.pattern)})"
            f" then timezone('UTC', try_cast({cell} as timestamptz))"
            f" when regexp_full_match({cell}, {literal(day)}) then try_cast({cell} as timestamp) end"
        )
        until = f"({value}) + case when length({cell}) = 10 then interval 1 day else interval 0 day end"
        return [(column.name, value), (f"{column.name}_until", until)]
    else:
        value = f"case when regexp_full_match({cell}, {literal(kind.pattern)}) then try_cast({cell} as {kind.sql_type}) end"
    if column.default is not None:
        default = f"cast({literal(column.default)} as {kind.sql_type})"
        value = f"case when {cell} is null then {default} else {value} end"
    return [(column.name, value)]


def names_trailers(table: Table) -> bool:
    """Whether its rows name a trailer of the list, so that a confirmed alias stands for it."""
    return table.name != "trailers" and any(c.name == "trailer_id" for c in table.columns)


def row_struct(table: Table, trailer_id: str = "text.trailer_id") -> str:
    """The typed row, as a struct, from `text`; `trailer_id` is the SQL of the trailer that it names."""
    values = {name: sql for column in table.all_columns for name, sql in _typed(column)}
    if names_trailers(table):
        values["trailer_id"] = trailer_id
    return "{" + ", ".join(f"{quote(name)}: {sql}" for name, sql in values.items()) + "}"


def stored_structs(table: Table, source: str = "s") -> tuple[str, str]:
    """`text` and `row` of an accepted row: the typed values, and their canonical text."""
    texts, values = [], []
    for column in table.all_columns:
        name = f"{source}.{quote(column.name)}"
        values.append(f"{quote(column.name)}: {name}")
        if column.kind == "time":
            until = f"{source}.{quote(column.name + '_until')}"
            values.append(f"{quote(column.name + '_until')}: {until}")
            exact = f"strftime({name}, '%Y-%m-%dT%H:%M:%S.%fZ')"
            shown = f"case when {until} > {name} then strftime({name}, '%Y-%m-%d') else {exact} end"
        elif column.kind == "flag":
            shown = f"case when {name} then 'yes' when not {name} then 'no' end"
        else:
            shown = f"cast({name} as varchar)"
        texts.append(f"{quote(column.name)}: {shown}")
    return "{" + ", ".join(texts) + "}", "{" + ", ".join(values) + "}"


def lookups(table: Table) -> str:
    """The joins that give a rule the other tables that it `needs`."""
    joins, unknown = "", "row.trailer_id"
    if "trailers" in table.needs and table.moment:
        joins += (
            " left join current.trailers spell on spell.trailer_id = row.trailer_id"
            f" and {table.moment} >= spell.in_service_on"
            f" and (spell.out_of_service_on is null or {table.moment} < spell.out_of_service_on)"
        )
        unknown = "case when spell.trailer_id is null then row.trailer_id end"  # who is in service is known
    if "trailers" in table.needs:
        joins += (
            " left join (select distinct trailer_id from current.trailers) known"
            f" on known.trailer_id = {unknown}"
        )
    if "refusals" in table.needs:
        joins += " left join current.refusals named on named.refusal_id = row.refusal_id"
    return joins


def lookup_columns(table: Table) -> str:
    """The looked-up rows as structs named like the table that a rule needs."""
    columns = ""
    if "trailers" in table.needs and table.moment:
        known = "coalesce(spell.trailer_id, known.trailer_id)"
        in_service = (
            f"case when {table.moment} is null or {known} is null then null"
            " else spell.trailer_id is not null end"
        )
        columns += (
            f", {{trailer_id: {known}, in_service: {in_service},"
            " positions: spell.positions, system: spell.system} as trailers"
        )
    elif "trailers" in table.needs:
        columns += ", {trailer_id: known.trailer_id} as trailers"
    if "refusals" in table.needs:
        columns += ", {trailer_id: named.trailer_id, refused_at: named.refused_at} as refusals"
    return columns


_MEANT = "coalesce(meant.trailer_id, text.trailer_id)"


def lacks(table: Table, header: str) -> str:
    """SQL of the list of columns that a file with this header (SQL of a list) says nothing about.

    Not of the exposure log: its one column beside the key says, by being there or not, what a line means.
    """
    names = [c.name for c in table.columns if c.name not in table.key] if table.keeps_lines else []
    listed = ", ".join(literal(name) for name in names)
    return f"list_filter(cast([{listed}] as varchar[]), lambda c: not list_contains({header}, c))"


def _filled(table: Table, inner: str, lacking: Collection[str] | None) -> str:
    """Rows in which a column that the file lacks stays as it is accepted: no column says nothing, an empty cell says
    "not known". What was taken back does not come back so. Without `lacking` each row tells what its file lacks."""
    names = [name for name, _ in typed_columns(table)]
    key = [name for name in names if name.removesuffix("_until") in table.key]
    filled = [
        c.name for c in table.columns if c.name not in table.key and (lacking is None or c.name in lacking)
    ]
    if not filled:
        return inner
    same = " and ".join(f"i.row.{quote(n)} is not distinct from cur.{quote(n)}" for n in key)
    stays = (
        "cur.batch_id is not null and coalesce(cur.withdrawn, false) = coalesce(i.row.withdrawn, false)"
        + (" and list_contains(i.lacks, {0}) and i.text.{1} is null" if lacking is None else "")
    )
    cells = []
    for name in names:
        told, column = f"i.row.{quote(name)}", name.removesuffix("_until")
        if column in filled:
            told = f"case when {stays.format(literal(column), quote(column))} then cur.{quote(name)} else {told} end"
        cells.append(f"{quote(name)}: {told}")
    return (
        f"select i.* replace ({{{', '.join(cells)}}} as row) from ({inner}) i"
        f" left join (select * from accepted.{table.name} where retired_by is null) cur on {same}"
    )


def rows_to_judge(
    table: Table, source: str, keep: str, *, stored: bool = False, lacking: Collection[str] | None = None
) -> str:
    """A query with the columns `keep` of `source` (alias s), and `text`, `row` and the looked-up structs.

    `source` has text columns and what the file `lacks`, or the typed columns of an accepted table where `stored`.
    `lacking`: the columns that the file lacks, where all rows are of one.
    """
    if stored:
        text, row = stored_structs(table)
        inner = f"select {keep}, {text} as text, {row} as row from {source} s"
    else:
        inner = (
            f"select t.*, {row_struct(table, _MEANT)} as row"
            f" from (select {keep}, s.lacks, {text_struct(table, lacking=lacking or ())} as text from {source} s) t"
        )
        if names_trailers(table):
            inner += " left join record.aliases meant on meant.alias = t.text.trailer_id"
        if table.keeps_lines:
            inner = _filled(table, inner, lacking)
    return f"select j.*{lookup_columns(table)} from ({inner}) j{lookups(table)}"


def waiting_to_judge(table: Table, keep: str) -> str:
    """A query as `rows_to_judge` makes it, of the rows that wait; not of broken lines, which have no cells."""
    waiting = (
        f"(select w.*, {lacks(table, 'b.header')} as lacks from waiting.{table.name} w"
        " left join record.batches b on b.batch_id = w.read_in"
        f" where w.left_by is null and {IS_ROW})"
    )
    return rows_to_judge(table, waiting, keep)


def holds(rule: Rule, in_print: bool = False) -> str:
    """SQL that is true where the rule does not fail; `in_print`: of cells that have no control character."""
    return f"coalesce({(in_print and rule.in_print) or rule.holds}, true)"


def passes(rules: list[Rule], in_print: bool = False) -> str:
    """SQL that is true where no blocking rule fails."""
    return " and ".join(holds(rule, in_print) for rule in rules if rule.blocks) or "true"


def reasons(rules: list[Rule]) -> str:
    """SQL of the list of the names of the blocking rules that a row fails."""
    cases = ", ".join(
        f"case when not {holds(rule)} then {literal(rule.name)} end" for rule in rules if rule.blocks
    )
    return f"list_filter([{cases}], lambda r: r is not null)"
