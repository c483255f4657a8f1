"""Reads a mapping file (TOML) and checks it whole, before any data are read.

Every error names the file, the key, why, and the nearest name that there is. May import `errors`, `settings`,
`contract`, `mapping`. Opens nothing but the mapping file.
"""

from __future__ import annotations

import codecs
import difflib
import hashlib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from repermit.contract import BY_NAME, Column
from repermit.errors import CallError
from repermit.mapping import (
    AMBIGUOUS,
    CLEANINGS,
    ENCODINGS,
    UNITS,
    ColumnMap,
    Mapping,
    SourceMap,
    TableMap,
    has_clock,
    place_of,
)
from repermit.settings import Settings

FILE_NAME = "repermit.toml"


def beside(paths: list[Path]) -> Path | None:
    """The mapping file in a given folder, or in the folder of a given file.

    Raises CallError where there is more than one.
    """
    folders = {(path if path.is_dir() else path.parent).resolve() for path in paths}
    found = sorted(f / FILE_NAME for f in folders if (f / FILE_NAME).is_file())
    if len(found) > 1:
        raise CallError(
            f"two mapping files: {found[0]} and {found[1]}",
            hint="Ingest the folders apart, or give --mapping FILE.",
        )
    return found[0] if found else None


def load(path: Path) -> Mapping:
    """Parse and check the mapping file.

    Raises CallError that names the file, the key, why, and the nearest name that there is.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise CallError(
            f"the mapping file {path} cannot be read: {error.strerror}", hint="Check the path."
        ) from error
    try:
        top = _Part(path, "", tomllib.loads(data.decode("utf-8-sig").replace("\r\n", "\n")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CallError(f"{path}: this is no TOML: {error}", hint="Mend that line.") from error
    mapping = Mapping(
        path,
        hashlib.sha256(data).hexdigest(),
        _settings(top),
        _aliases(top),
        tuple(_source(part) for part in top.parts("source")),
    )
    top.done()
    return mapping


class _Part:
    """A table of the TOML file that knows where it stands; what is left in it at the end has no meaning."""

    def __init__(self, path: Path, where: str, data: dict[str, Any]) -> None:
        self.path, self.where, self.data, self.asked = path, where, dict(data), []  # type: tuple[Path, str, dict[str, Any], list[str]]

    def wrong(
        self, key: str, why: str, hint: str = "", among: Iterable[str] = (), given: str = ""
    ) -> CallError:
        """The error that says where, why, and the nearest name among those that there are."""
        names = sorted(among)
        like = difflib.get_close_matches((given or key).lower(), [n.lower() for n in names], 1, 0.5)
        if like:
            hint = f"Did you mean {next(n for n in names if n.lower() == like[0])}?"
        elif names and not hint:
            hint = f"One of: {', '.join(names[:30])}."
        at = ".".join(x for x in (self.where, key) if x)
        return CallError(f"{self.path}: {at}: {why}", hint=hint or "See: repermit contract")

    def take(self, key: str, kind: type, default: Any) -> Any:
        """The value of a key, which must be of that kind."""
        self.asked.append(key)
        value = self.data.pop(key, default)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            words = {str: "text in quotes", int: "a whole number", bool: "true or false", dict: "a table"}
            raise self.wrong(key, f"must be {words.get(kind, 'a list')}, not {value!r}")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A text or a list of texts."""
        self.asked.append(key)
        value = self.data.pop(key, [])
        found = [value] if isinstance(value, str) else value
        if not isinstance(found, list) or not all(isinstance(v, str) and v for v in found):
            raise self.wrong(key, f"must be text in quotes, or a list of such, not {value!r}")
        return tuple(found)

    def pairs(self, key: str) -> tuple[tuple[str, str], ...]:
        """A table of texts by text."""
        value = self.take(key, dict, {})
        for name, text in value.items():
            if not isinstance(text, str):
                raise self.wrong(f"{key}.{name!r}", f"must be text in quotes, not {text!r}")
        return tuple(sorted(value.items()))

    def parts(self, key: str) -> list[_Part]:
        """The tables of an array of tables."""
        value = self.take(key, list, [])
        if not all(isinstance(v, dict) for v in value):
            raise self.wrong(key, f"must be tables, each begun by [[{key}]]")
        return [
            _Part(self.path, f"{self.where}{'.' if self.where else ''}{key} {i}", v)
            for i, v in enumerate(value, 1)
        ]

    def choice(self, key: str, among: Iterable[str], default: str) -> str:
        """A text that is one of those."""
        value: str = self.take(key, str, default)
        if value != default and value not in among:
            raise self.wrong(key, f"{value!r} is not known", among=among, given=value)
        return value

    def done(self) -> None:
        """Raise CallError where a key is left that nobody asked for."""
        for key in self.data:
            raise self.wrong(key, "this key is not known", among=self.asked)


def _settings(top: _Part) -> tuple[tuple[str, Any], ...]:
    part = _Part(top.path, "settings", top.take("settings", dict, {}))
    found = []
    for name, default in Settings().as_dict().items():
        if name in part.data:
            value = part.data[name]
            if isinstance(default, float) and isinstance(value, int):
                part.data[name] = float(value)
            found.append((name, part.take(name, type(default), default)))
            if isinstance(default, (int, float)) and found[-1][1] <= 0:
                raise part.wrong(name, "must be more than 0")
            if name == "level" and not 0.5 <= found[-1][1] < 1:
                raise part.wrong(name, "must be between 0.5 and 1, such as 0.95")
        part.asked.append(name)
    part.done()
    return tuple(found)


def _aliases(top: _Part) -> tuple[tuple[str, str], ...]:
    found = top.pairs("aliases")
    names = {alias.strip() for alias, _ in found}
    for alias, trailer in found:
        if trailer.strip() in names:
            raise top.wrong(
                f"aliases.{alias!r}", f"{trailer!r} is itself an alias", hint="Name the trailer as listed."
            )
        if not alias.strip() or not trailer.strip():
            raise top.wrong(f"aliases.{alias!r}", "an id is empty", hint='Write "tr 12" = "TR-0012".')
    return tuple((alias.strip(), trailer.strip()) for alias, trailer in found)


def _source(part: _Part) -> SourceMap:
    files = part.take("files", str, "")
    if not files:
        raise part.wrong("files", "is missing", hint='Which files? Such as files = "orders*.csv".')
    zone, zones = part.take("zone", str, ""), part.pairs("zones")
    known = available_timezones() - {"localtime"} if zone or zones else set()
    for key, name in (("zone", zone), *((f"zones.{place!r}", name) for place, name in zones)):
        if (name or key != "zone") and name not in known:
            raise part.wrong(key, f"{name!r} is no time zone", among=known, given=name)
    delimiter = part.take("delimiter", str, ",")
    if len(delimiter) != 1 or delimiter in '"\r\n' or not delimiter.isascii():
        raise part.wrong("delimiter", f"{delimiter!r} is not one character", hint='Such as ";" or "\\t".')
    skip_rows = part.take("skip_rows", int, 0)
    if skip_rows < 0:
        raise part.wrong("skip_rows", "must be 0 or more")
    source = SourceMap(
        files, tuple(_table(t, zone or zones) for t in part.parts("table")), part.take("confirmed", bool, True),
        delimiter, _encoding(part), skip_rows, part.choice("decimal", (",", "."), ""), zone, zones,
        part.choice("ambiguous", AMBIGUOUS, "set_aside"),
    )  # fmt: skip
    if not source.tables:
        raise part.wrong("table", "fills no table", hint="Begin one with [[source.table]].")
    for table in source.tables:
        timed = [c.name for c in table.columns if table.table.column(c.name).kind == "time"]
        if zones and not zone and timed and not place_of(table):
            raise part.wrong(
                "zones", f"the table {table.name} has neither terminal nor shop", hint="Give `zone` too."
            )
    part.done()
    return source


def _encoding(part: _Part) -> str:
    name = part.take("encoding", str, "utf-8")
    try:
        if codecs.lookup(name).name in {codecs.lookup(e).name for e in ENCODINGS}:
            return codecs.lookup(name).name
    except LookupError:
        pass
    raise part.wrong("encoding", f"{name!r} is not known", among=ENCODINGS, given=name)


def _table(part: _Part, zoned: object) -> TableMap:
    name = part.choice("name", BY_NAME, "")
    if not name:
        raise part.wrong("name", "is missing", hint=f"One of: {', '.join(BY_NAME)}.")
    table, columns = BY_NAME[name], _Part(part.path, f"{part.where}.columns", part.take("columns", dict, {}))
    known = [c.name for c in table.all_columns]
    for key in columns.data:
        if key not in known:
            raise columns.wrong(key, f"{name} has no such column", among=known)
    maps = tuple(_column(columns, table.column(key), zoned) for key in columns.data)
    given = {c.name for c in maps}
    missing = [c.name for c in table.columns if c.required and c.name not in given]
    if table.any_of and not given & set(table.any_of):
        missing.append(" or ".join(table.any_of))
    if missing:
        raise columns.wrong(
            "", f"{name} needs {', '.join(missing)}", hint="Give a header or { constant = ... }."
        )
    found = TableMap(name, maps, part.take("when_given", str, ""))
    part.done()
    return found


def _column(columns: _Part, column: Column, zoned: object) -> ColumnMap:
    value = columns.data[column.name]
    part = _Part(
        columns.path,
        f"{columns.where}.{column.name}",
        value if isinstance(value, dict) else {"header": value},
    )
    constant = part.take("constant", str, "") or None
    found = ColumnMap(
        column.name, part.texts("header"), constant, part.texts("pattern"), part.pairs("words"),
        part.take("unit", str, ""), part.texts("clean_id"), part.take("when_given", str, ""),
    )  # fmt: skip
    part.done()
    if bool(found.headers) == bool(constant):
        raise part.wrong(
            "", "needs a header or a constant", hint=f'{column.name} = "Header" or {{ constant = "..." }}'
        )
    _check_words(part, column, found)
    if found.patterns and column.kind not in ("day", "time"):
        raise part.wrong("pattern", f"{column.name} is neither a day nor a time")
    for pattern in found.patterns:
        _check_pattern(part, column, pattern, zoned)
    if found.unit and found.unit not in UNITS.get(column.unit, {}):
        raise part.wrong(
            "unit",
            f"{found.unit!r} is no unit of {column.name}",
            among=UNITS.get(column.unit, {}),
            given=found.unit,
        )
    for step in found.clean_id:
        if column.kind != "text" or column.listed:
            raise part.wrong("clean_id", f"{column.name} is no id")
        if step not in CLEANINGS:
            raise part.wrong("clean_id", f"{step!r} is not known", among=CLEANINGS, given=step)
    return found


def _check_words(part: _Part, column: Column, found: ColumnMap) -> None:
    """Their words may be any; ours must be the contract's, or empty for not known."""
    allowed = ("yes", "no") if column.kind == "flag" else column.listed
    ours = [(f"words.{theirs!r}", word) for theirs, word in found.words if word]
    ours += [("constant", found.constant)] if found.constant else []
    for key, word in ours:
        if allowed and word not in allowed:
            raise part.wrong(key, f"{word!r} is no word of {column.name}", among=allowed, given=word)
    lower = [theirs.strip().lower() for theirs, _ in found.words]
    if twice := {w for w in lower if lower.count(w) > 1}:
        raise part.wrong(
            "words", f"{min(twice)!r} stands twice (capitals make no difference)", hint="Remove one."
        )


def _check_pattern(part: _Part, column: Column, pattern: str, zoned: object) -> None:
    codes = re.findall(r"%(.?)", pattern)
    if unknown := [c for c in codes if c not in set("aAbBdfHIjmMpSyYz%")]:
        raise part.wrong(
            "pattern", f"{'%' + unknown[0]!r} in {pattern!r} is not known", hint="Such as %d.%m.%Y %H:%M."
        )
    has = set(codes)
    if not (has & set("yY") and (has & {"j"} or (has & set("bBm") and "d" in has))):
        raise part.wrong("pattern", f"{pattern!r} has no day, month and year", hint="Such as %d.%m.%Y %H:%M.")
    if column.kind == "time" and has_clock(pattern) and "z" not in has and not zoned:
        raise part.wrong(
            "pattern", f"{pattern!r} gives times without a zone", hint='Give the source zone = "Area/City".'
        )
