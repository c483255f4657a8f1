"""Writes results to standard output: as a table that people read, as JSON, or as CSV."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

import typer

from repermit.cli.options import Format
from repermit.mending import inert


def as_csv(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """CSV text with a header."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([inert(cell) for cell in row] for row in rows)
    return out.getvalue()


def as_json(value: Any) -> str:
    """JSON text; times as ISO 8601."""

    def other(v: Any) -> str:
        if isinstance(v, datetime):
            return v.strftime("%Y-%m-%dT%H:%M:%SZ")
        return v.isoformat() if isinstance(v, date) else str(v)

    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False, default=other)


def as_table(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """A table of aligned columns, numbers to the right; what is not known is a dash."""
    cells = [[_cell(value) for value in row] for row in rows]
    widths = [max([len(name)] + [len(row[i]) for row in cells]) for i, name in enumerate(names)]
    right = [
        all(isinstance(row[i], (int, float)) or row[i] is None for row in rows) for i in range(len(names))
    ]

    def line(row: Sequence[str]) -> str:
        aligned = (c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True))
        return "  ".join(aligned).rstrip()

    return "\n".join([line(names), line(["-" * w for w in widths]), *(line(row) for row in cells)])


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"
    if isinstance(value, int):
        return f"{value:,}"
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in str(value))


def write(
    form: Format, about: dict[str, Any] | None, names: Sequence[str], rows: Sequence[Sequence[Any]]
) -> None:
    """Write rows in the form asked for; JSON is one object with `about` and `rows`."""
    if form is Format.json:
        found = [dict(zip(names, row, strict=True)) for row in rows]
        typer.echo(as_json({"about": about, "rows": found} if about is not None else {"rows": found}))
    elif form is Format.csv:
        typer.echo(as_csv(names, rows), nl=False)
    else:
        typer.echo(as_table(names, rows))
