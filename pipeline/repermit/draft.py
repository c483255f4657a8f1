"""Drafts a mapping from an export: what its headers and values look like, held against the contract.

Every guess is marked for a person to confirm, and ingest refuses the draft until somebody has: nothing is applied
silently. Reads the beginning of one file. May import `errors`, `contract`, `mapping`.
"""

from __future__ import annotations

import csv
import difflib
import gzip
import io
import json
import re
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from repermit.contract import TABLES, Column, Table
from repermit.errors import CallError
from repermit.mapping import UNITS

SAMPLE_BYTES = 1 << 18
SAMPLE_LINES = 2_000
LIKE, LIKE_NAMES = 0.6, 0.5
"""Likeness of a header to a column, names and values together, and of the names alone, from which it is proposed (a
choice of this house)."""
MOST_WORDS = 40
DAYS = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y", "%m/%d/%y", "%Y%m%d", "%d-%b-%Y")
CLOCKS = ("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p", " %H%M")
ISO = r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d)?)?"


@dataclass
class Found:
    """One column of the export: its header, and the values of the sample that are not empty."""

    header: str
    values: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Guess:
    """A header for a contract column, with what speaks for it."""

    column: Column
    found: Found
    names: float
    values: float | None
    pattern: str = ""
    also: str = ""
    unit: str = ""

    @property
    def like(self) -> float:
        """Names and values together."""
        return self.names if self.values is None else 0.6 * self.names + 0.4 * self.values


def draft(path: Path) -> str:
    """The text of a mapping file for exports like the one at `path`.

    Raises CallError where it cannot be read, or holds no table.
    """
    try:
        with path.open("rb") as raw:
            zipped = raw.read(2) == b"\x1f\x8b"
        with gzip.open(path) if zipped else path.open("rb") as file:
            data = file.read(SAMPLE_BYTES)
    except OSError as error:
        raise CallError(
            f"{path} cannot be read: {error.strerror or error}", hint="Check the path."
        ) from error
    encoding, text = _decoded(data)
    lines = text.splitlines(keepends=True)[:SAMPLE_LINES]
    delimiter, skip = _layout(lines)
    reader = csv.reader(io.StringIO("".join(lines[skip:]), newline=""), delimiter=delimiter)
    try:
        header, *body = [[cell.strip() for cell in row] for row in reader if any(row)]
        if "\0" in text or not any(header):
            raise ValueError
    except (csv.Error, ValueError) as error:
        raise CallError(
            f"{path}: no table is to be seen in it", hint="Is it a CSV export with a header?"
        ) from error
    found = [Found(h, [row[i] for row in body if i < len(row) and row[i]]) for i, h in enumerate(header)]
    return _written(path, encoding, delimiter, skip, [f for f in found if f.header])


def _decoded(data: bytes) -> tuple[str, str]:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16", data.decode("utf-16", errors="ignore")
    if data[1:2] == b"\0" or data[:1] == b"\0":
        encoding = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
        return encoding, data.decode(encoding, errors="ignore")
    try:
        return "utf-8", data[: data.rfind(b"\n") + 1 or None].decode("utf-8-sig")
    except UnicodeDecodeError:
        undefined = set(data) & {0x81, 0x8D, 0x8F, 0x90, 0x9D}
        encoding = "latin-1" if undefined else "windows-1252"
        return encoding, data.decode(encoding)


def _layout(lines: list[str]) -> tuple[str, int]:
    """The delimiter that most lines have equally often, and how many lines stand above the first such line."""

    def widths(delimiter: str) -> list[int]:
        return [len(next(csv.reader([line], delimiter=delimiter), [])) for line in lines]

    def merit(delimiter: str) -> tuple[float, int]:
        counts = Counter(n for n in widths(delimiter) if n > 1)
        width, often = counts.most_common(1)[0] if counts else (1, 0)
        return often / max(1, len(lines)), width

    delimiter = max(",;\t|", key=merit)
    usual = merit(delimiter)[1]
    return delimiter, next((i for i, n in enumerate(widths(delimiter)) if n == usual), 0)


# --- which header for which column ----------------------------------------------------------------------


def _words(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", " ", name.lower().replace("_", " ")).strip()


def _alike(a: str, b: str) -> float:
    """Likeness of two names, 0 to 1 (Ratcliff and Obershelp, as Python's difflib has it); shared whole words count."""
    a, b = _words(a), _words(b)
    shared = set(a.split()) & set(b.split())
    part = len(shared) / max(1, min(len(a.split()), len(b.split())))
    return max(difflib.SequenceMatcher(None, a, b).ratio(), 0.9 * part)


def _fitting(values: list[str], pattern: str) -> int:
    def fits(value: str) -> bool:
        try:
            return 1990 <= datetime.strptime(value, pattern).year <= 2099
        except ValueError:
            return False

    return sum(fits(value) for value in values)


def _moments(values: list[str], kind: str) -> tuple[float, str, str]:
    """The share of values that the best pattern reads, the pattern (empty for ISO 8601), and one that reads as many."""
    sample = values[:200]
    if iso := sum(bool(re.fullmatch(ISO, v)) for v in sample):
        return iso / len(sample), "", ""
    patterns = [day + clock for day in DAYS for clock in (CLOCKS if kind == "time" else CLOCKS[:1])]
    ranked = sorted(((_fitting(sample, p), -i, p) for i, p in enumerate(patterns)), reverse=True)
    (most, _, best), (second, _, other) = ranked[:2]
    return most / len(sample), best if most else "", other if second == most and most else ""


def _like_word(value: str, column: Column) -> str:
    words = {_words(word): word for word in column.listed or ("yes", "no")}
    near = difflib.get_close_matches(_words(value), list(words), 1, LIKE)
    return words[near[0]] if near else ""


def _guess(column: Column, found: Found) -> Guess:
    names, values = _alike(column.name, found.header), found.values
    share, pattern, also = None, "", ""
    if values and (column.listed or column.kind == "flag"):
        share = sum(bool(_like_word(v, column)) for v in values[:200]) / len(values[:200])
    elif values and column.kind in ("day", "time"):
        share, pattern, also = _moments(values, column.kind)
    elif values and column.kind in ("count", "number"):
        shape = r"\d+" if column.kind == "count" else r"[+-]?[\d.,' ]*\d"
        share = sum(bool(re.fullmatch(shape, v)) for v in values[:200]) / len(values[:200])
    elif values and max(_moments(values, kind)[0] for kind in ("day", "time")) > 0.5:
        share = 0.0  # an id or a name is no date
    return Guess(column, found, names, share, pattern, also, _unit(column, found.header))


def _unit(column: Column, header: str) -> str:
    """The unit that a header gives in brackets, where it is not the contract's."""
    given = re.search(r"[(\[]\s*([^)\]]+?)\s*[)\]]", header)
    known = {unit.lower(): unit for unit in UNITS.get(column.unit, {}) if unit != column.unit}
    return known.get(given.group(1).lower(), "") if given else ""


def _numbering(column: Column, found: list[Found], rows: int) -> list[Guess]:
    """The first header whose values are all there and all different: it may number the rows."""
    for f in found:
        if len(f.values) >= 0.8 * rows and len(set(f.values)) == len(f.values):
            return [Guess(column, f, _alike(column.name, f.header), None)]
    return []


def _matched(table: Table, found: list[Found]) -> list[Guess]:
    """The best header for each column, each header once: the most alike pair first."""
    guesses = sorted((_guess(c, f) for c in table.columns for f in found), key=lambda g: -g.like)
    taken: set[str] = set()
    chosen = []
    for guess in guesses:
        if (
            guess.like >= LIKE
            and guess.names >= LIKE_NAMES
            and not {guess.column.name, f"= {guess.found.header}"} & taken
        ):
            taken |= {guess.column.name, f"= {guess.found.header}"}
            chosen.append(guess)
    first = table.column(table.key[0])
    if first.name.endswith("_id") and first.name not in taken and first.name != "trailer_id":
        chosen += _numbering(first, found, max(len(f.values) for f in found))
    order = [c.name for c in table.columns]
    return sorted(chosen, key=lambda g: order.index(g.column.name))


def _tables(found: list[Found]) -> list[tuple[Table, list[Guess]]]:
    """The tables whose required columns are all there; if there are none, the one that fits best."""
    matched = [(table, _matched(table, found)) for table in TABLES]

    def whole(table: Table, guesses: list[Guess]) -> bool:
        given = {g.column.name for g in guesses}
        return {c.name for c in table.columns if c.required} <= given and (
            not table.any_of or bool(given & set(table.any_of))
        )

    fits = [m for m in matched if whole(*m)]
    return fits or [max(matched, key=lambda m: sum(g.like for g in m[1]))]


# --- the text ----------------------------------------------------------------------------------------------


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(text: str) -> str:
    """Text for a comment: on one line, nothing but printable characters."""
    return "".join(c if c.isprintable() else "?" for c in text)[:80]


def _written(path: Path, encoding: str, delimiter: str, skip: int, found: list[Found]) -> str:
    tables = _tables(found)
    used = {g.found.header for _, guesses in tables for g in guesses}
    naive = any(_naive(g) for _, guesses in tables for g in guesses)
    numbers = [
        v for _, guesses in tables for g in guesses if g.column.kind == "number" for v in g.found.values
    ]
    lines = [
        "# A draft. Every line marked `confirm` is a guess: look at it, mend it, and remove the mark.",
        "", "[[source]]",
        "confirmed = false  # ingest refuses this source until you remove this line",
        f"files = {_quoted(re.sub(r'[0-9][0-9_.-]*[0-9]|[0-9]', '*', path.name))}  # confirm",
        f"encoding = {_quoted(encoding)}  # confirm", f"delimiter = {_quoted(delimiter)}  # confirm",
        f"skip_rows = {skip}  # confirm: lines above the header",
    ]  # fmt: skip
    if any(re.search(r",\d{1,2}$", v) for v in numbers):
        lines.append('decimal = ","  # confirm')
    if naive:
        lines.append(
            '# zone = "Area/City"  # needed: its times have no offset; what zone do its clocks show?'
        )
        lines.append(
            'ambiguous = "set_aside"  # or "first" or "second", of a time that its clocks show twice'
        )
    for table, guesses in tables:
        lines += _table_lines(table, guesses, several=len(tables) > 1)
    if rest := [_plain(f.header) for f in found if f.header not in used]:
        lines += ["", f"# Headers that nothing was found for: {', '.join(rest)}"]
    return "\n".join(lines) + "\n"


def _naive(guess: Guess) -> bool:
    return guess.column.kind == "time" and any(
        not re.search(r"(Z|[+-]\d\d:?\d\d)$", v) and ":" in v for v in guess.found.values
    )


def _table_lines(table: Table, guesses: list[Guess], *, several: bool) -> list[str]:
    lines = ["", "[[source.table]]", f"name = {_quoted(table.name)}  # confirm: {table.grain}"]
    if several:
        key = next((g for g in guesses if g.column.required and g.column.kind in ("day", "time")), guesses[0])
        lines.append(
            f"when_given = {_quoted(key.found.header)}  # confirm: lines without it are not of this table"
        )
    lines.append("[source.table.columns]")
    given = {g.column.name for g in guesses}
    for column in table.columns:
        if column.required and column.name not in given:
            lines.append(
                f'# {column.name} = ""  # needed: {column.text}; its header, or {{ constant = "..." }}'
            )
    worded = [g for g in guesses if (g.column.listed or g.column.kind == "flag") and _differ(g)]
    lines += [_column_line(g) for g in guesses if g not in worded]
    for guess in worded:
        lines += _word_lines(guess)
    return lines


def _differ(guess: Guess) -> bool:
    ours = set(guess.column.listed) or {"yes", "no", "true", "false", "1", "0"}
    return not {v.lower() for v in guess.found.values} <= ours


def _why(guess: Guess) -> str:
    share = "" if guess.values is None else f", {guess.values:.0%} of its values fit"
    also = f"; {guess.also} reads them as well" if guess.also else ""
    return f"  # confirm: {guess.column.text}; names alike by {guess.names:.2f}{share}{also}"


def _column_line(guess: Guess) -> str:
    value = _quoted(guess.found.header)
    if guess.pattern:
        value = f"{{ header = {value}, pattern = {_quoted(guess.pattern)} }}"
    elif guess.unit:
        value = f"{{ header = {value}, unit = {_quoted(guess.unit)} }}"
    return f"{guess.column.name} = {value}{_why(guess)}"


def _word_lines(guess: Guess) -> list[str]:
    lines = [
        f"[source.table.columns.{guess.column.name}]",
        f"header = {_quoted(guess.found.header)}{_why(guess)}",
    ]
    lines.append(f"[source.table.columns.{guess.column.name}.words]")
    words = Counter(v.lower() for v in guess.found.values)
    lines.append(f"# ours: {', '.join(guess.column.listed or ('yes', 'no'))}")
    for word, often in words.most_common(MOST_WORDS):
        if like := _like_word(word, guess.column):
            lines.append(f"{_quoted(word)} = {_quoted(like)}  # confirm; {often} times in the sample")
        else:
            lines.append(f'# {_quoted(word)} = ""  # needed; {often} times in the sample')
    if len(words) > MOST_WORDS:
        lines.append(f"# and {len(words) - MOST_WORDS} more words")
    return lines
