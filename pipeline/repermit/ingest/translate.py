"""Turns a mapping into SQL: the cells of an export to the text that the contract reads. Text only; runs nothing.

Whatever can't be translated stays as it was written, so that the rule of its column sets it aside. May import
`contract`, `mapping`, `warehouse` (for quoting).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from repermit.contract import NEVER, TWICE, Column
from repermit.mapping import UNITS, ColumnMap, SourceMap, TableMap, has_clock, place_of
from repermit.warehouse import literal, quote

Cells = Callable[[str], str]
"""SQL of the cell under a header."""

_NAIVE = r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?"


def cell(column: str) -> str:
    """A cell without blanks around it, those that do not break a line among them; empty = null."""
    return f"nullif(trim({column}, ' ' || chr(9) || chr(10) || chr(13) || chr(160)), '')"


def translated(source: SourceMap, table: TableMap, cells: Cells, lines: str) -> str:
    """A query with `row_no` and, as text, the contract columns that the mapping fills, of the lines of the table.

    `lines` is a relation with `row_no` and the columns that `cells` names.
    """
    columns = [(c, table.table.column(c.name)) for c in table.columns]
    words = {c.name: _words(c, _joined(c, cells)) for c in table.columns}
    place = place_of(table)
    words["zone"] = _zone(source, words[place.name] if place else "null")
    query = f"select row_no, {_as(words)} from {lines} where {belongs(table, cells)}"
    local = {c.name: _local(c) for c, column in columns if column.kind == "time" and not c.constant}
    if local:
        query = f"select *, {_as(local, ' local')} from ({query})"
        first = {name: _moment_by(name, "- interval 1 day") for name in local}
        second = {name: _moment_by(name, "+ interval 1 day") for name in local}
        query = f"select *, {_as(first, ' first')}, {_as(second, ' second')} from ({query})"
    final = {c.name: _text(source, column, c) for c, column in columns}
    return f"select row_no, {_as(final)} from ({query})"


def _as(columns: dict[str, str], more: str = "") -> str:
    return ", ".join(f"{sql} as {quote(name + more)}" for name, sql in columns.items())


def belongs(table: TableMap, cells: Cells) -> str:
    """SQL that is true of the lines that belong to the table."""
    return f"{cell(cells(table.when_given))} is not null" if table.when_given else "true"


def _joined(column: ColumnMap, cells: Cells) -> str:
    if column.when_given:
        always = _joined(replace(column, when_given=""), cells)
        return f"case when {cell(cells(column.when_given))} is not null then {always} end"
    if column.constant is not None:
        return literal(column.constant)
    parts = [cell(cells(header)) for header in column.headers]
    return parts[0] if len(parts) == 1 else f"nullif(concat_ws(' ', {', '.join(parts)}), '')"


def _text(source: SourceMap, column: Column, how: ColumnMap) -> str:
    """The contract's text of a column, from its cell in our words."""
    text = quote(how.name)
    if how.constant is not None:
        return text
    if how.clean_id:
        return cleaned(text, how.clean_id)
    if column.kind == "day":
        days = [_day(text, pattern) for pattern in how.patterns]
        return f"coalesce({', '.join([*days, text])})"
    if column.kind == "time":
        return _time(source, how, text)
    if column.kind in ("number", "count"):
        return _number(source, how, column.unit, text)
    return text


def _words(how: ColumnMap, text: str) -> str:
    """Their words to ours, whatever the capitals; a word that is not in the list stays."""
    if not how.words:
        return text
    cases = " ".join(
        f"when {literal(theirs.strip().lower())} then {literal(ours)}" for theirs, ours in how.words
    )
    return f"nullif(case lower({text}) {cases} else {text} end, '')"


def cleaned(text: str, steps: tuple[str, ...]) -> str:
    """An id with what its writers differ in taken out."""
    if "case" in steps:
        text = f"upper({text})"
    if "spaces" in steps:
        text = rf"regexp_replace({text}, '\s+', '', 'g')"
    if "dashes" in steps:
        text = rf"regexp_replace({text}, '[-_\x{{2010}}-\x{{2015}}]+', '', 'g')"
    if "leading zeros" in steps:
        text = rf"regexp_replace({text}, '(^|[^0-9])0+([0-9])', '\1\2', 'g')"
    return f"nullif({text}, '')"


def _number(source: SourceMap, how: ColumnMap, unit: str, text: str) -> str:
    """A number with a decimal point, in the contract's unit."""
    if how.unit == "h:mm":
        minutes = (
            f"(cast(split_part({text}, ':', 1) as bigint) * 60 + cast(split_part({text}, ':', 2) as bigint))"
        )
        return rf"case when regexp_full_match({text}, '\d{{1,6}}:[0-5]\d') then cast({minutes} as varchar) else {text} end"
    if how.unit:
        text = rf"regexp_replace({text}, '\s*{how.unit}$', '', 'i')"
    if source.decimal:
        point, group = (",", ".") if source.decimal == "," else (r"\.", ",")
        shape = rf"[+-]?(\d+|\d{{1,3}}([{group} ''\x{{A0}}\x{{202F}}]\d{{3}})+)({point}\d+)?"
        plain = rf"replace(regexp_replace({text}, '[{group} ''\x{{A0}}\x{{202F}}]', '', 'g'), ',', '.')"
        text = (
            f"case when regexp_full_match({text}, '{shape}') then {plain}"
            f" else {text} || ' (decimal {source.decimal} expected)' end"
        )
    if not how.unit:
        return text
    times, _, over = UNITS[unit][how.unit].partition("/")
    scaled = f"try_cast({text} as decimal(18,6))::decimal(30,6) * {times}"
    if over:
        scaled = f"round(({scaled})::double / {over}, 6)"
    return f"coalesce(cast(cast({scaled} as decimal(38,6)) as varchar), {text} || {literal(' ' + how.unit)})"


def _zone(source: SourceMap, place: str) -> str:
    """SQL of the zone whose clock a line shows; null where nothing says it."""
    zone = literal(source.zone) if source.zone else "cast(null as varchar)"
    if not source.zones:
        return zone
    cases = " ".join(f"when {literal(name)} then {literal(zone)}" for name, zone in source.zones)
    return f"case {place} {cases} else {zone} end"


def _read(text: str, pattern: str) -> str:
    return f"try_strptime({text}, {literal(pattern)})"


def _day(text: str, pattern: str) -> str:
    return f"strftime({_read(text, pattern)}, '%Y-%m-%d')"


def _local(how: ColumnMap) -> str:
    """A time without an offset, as its clock showed it; null where the cell holds no such."""
    text = quote(how.name)
    shown = [_read(text, p) for p in how.patterns if has_clock(p) and "%z" not in p]
    shown.append(f"case when regexp_full_match({text}, '{_NAIVE}') then try_cast({text} as timestamp) end")
    return f"coalesce({', '.join(shown)})"


def _moment_by(name: str, other_day: str) -> str:
    """The moment of a local time by the offset that its zone has a day before or after; null if its clocks did not
    show that time then. In spring neither is a moment; in autumn both are, and differ."""
    local, other = quote(f"{name} local"), f"timezone(zone, {quote(f'{name} local')}) {other_day}"
    moment = f"timezone('UTC', {local} - (timezone(zone, {other}) - timezone('UTC', {other})))"
    return f"case when timezone(zone, {moment}) = {local} then {moment} end"


def _time(source: SourceMap, how: ColumnMap, text: str) -> str:
    """A time in UTC, or a day; told as such where the clocks skipped it, or showed it twice and nothing says which."""
    local, first, second = (quote(f"{how.name} {what}") for what in ("local", "first", "second"))
    told = f"strftime({local}, '%Y-%m-%dT%H:%M:%S[') || zone"
    chosen = {"first": _utc(first), "second": _utc(second)}.get(
        source.ambiguous, f"{told} || {literal(TWICE)}"
    )
    clock = (
        f"case when {local} is null or zone is null then null"
        f" when {first} is null and {second} is null then {told} || {literal(NEVER)}"
        f" when {first} <> {second} then {chosen} else {_utc(f'coalesce({first}, {second})')} end"
    )
    others = [_utc(_read(text, p)) for p in how.patterns if "%z" in p]
    others += [_day(text, p) for p in how.patterns if not has_clock(p)]
    return f"coalesce({', '.join([clock, *others, text])})"


def _utc(moment: str) -> str:
    return f"strftime(timezone('UTC', {moment}), '%Y-%m-%dT%H:%M:%S.%fZ')"
