"""Writes results to standard output: as a table that people read, as JSON, or as CSV."""

from __future__ import annotations

import csv
import io
import json
import re
import sys
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

import typer

from repermit.cli.options import Format
from repermit.cli.talk import styled
from repermit.mending import inert

WIDTH = 80
"""Tables are made to fit so many columns of a terminal."""
LEAST_TEXT = 10
"""A column of text is not made narrower than this."""
LEAST_NUMBER = 1e-4
"""Nobody reads what is less than this, such as 2.24e-116."""
ONE_LINE = ("file",)
"""Columns whose cells are shortened in their middle, so that their row stays one line: both ends tell files apart."""
BROKEN = {"duplicate": "dupli-_cate", "corrected": "cor-_rected", "quarantined": "quaran-_tined"}
"""Headings of one word that may be broken."""
MARKED = {
    "flagged": ("yes",),
    "signal": ("high", "low"),
    "verdict": ("worse", "more", "early", "wear_out"),
    "holds": ("no",),
}
"""Cells that stand out on a terminal, by column."""


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
    """A table of aligned columns, numbers to the right; what is not known is a dash.

    Where it is wider than a terminal, headings go over several lines, then texts do, and what still does not fit
    stands in further tables under it, each with the first column.
    """
    cells = [[_cell(value) for value in row] for row in rows]
    right = [
        all(isinstance(row[i], (int, float)) or row[i] is None for row in rows) for i in range(len(names))
    ]
    heads = [[name] for name in names]
    if _width(_widths(heads, cells)) > WIDTH:
        heads = [_parts(name) for name in names]
    widths = _widths(heads, cells)
    while (over := _width(widths) - WIDTH) > 0:
        texts = [i for i, r in enumerate(right) if not r and widths[i] > LEAST_TEXT]
        if not texts:
            break
        widest = max(texts, key=lambda i: widths[i])
        widths[widest] = max(LEAST_TEXT, widths[widest] - over)
    return "\n\n".join(
        _block([names[i] for i in some], [heads[i] for i in some], [[row[i] for i in some] for row in cells],
               [widths[i] for i in some], [right[i] for i in some])
        for some in _blocks(widths)
    )  # fmt: skip


def _width(widths: Sequence[int]) -> int:
    return sum(widths) + 2 * (len(widths) - 1)


def _widths(heads: list[list[str]], cells: list[list[str]]) -> list[int]:
    return [max([*map(len, head), *(len(row[i]) for row in cells)]) for i, head in enumerate(heads)]


def _parts(name: str) -> list[str]:
    """A heading over several lines, broken where its words are joined; short words stay together."""
    lines: list[str] = []
    name = BROKEN.get(name, name)
    for part in name.replace("_", " ").split():
        if lines and len(lines[-1]) + 1 + len(part) <= max(map(len, name.split("_"))):
            lines[-1] += f" {part}"
        else:
            lines.append(part)
    return lines or [name]


def _blocks(widths: Sequence[int]) -> list[list[int]]:
    """Which columns stand side by side; every block begins with the first."""
    blocks = [[0]] if widths else [[]]
    for i in range(1, len(widths)):
        if _width([widths[j] for j in (*blocks[-1], i)]) > WIDTH and len(blocks[-1]) > 1:
            blocks.append([0])
        blocks[-1].append(i)
    return blocks


def _block(
    names: list[str], heads: list[list[str]], cells: list[list[str]], widths: list[int], right: list[bool]
) -> str:
    def line(row: Sequence[str]) -> str:
        aligned = (c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True))
        return "  ".join(aligned).rstrip()

    tall = max(map(len, heads), default=0)
    tops = [[""] * (tall - len(head)) + head for head in heads]
    out = [styled(line([top[k] for top in tops]), sys.stdout, bold=True) for k in range(tall)]
    out.append(line(["-" * w for w in widths]))
    for row in cells:
        wrapped = [
            [shortened(cell, w)] if name in ONE_LINE else _wrapped(cell, w)
            for name, cell, w in zip(names, row, widths, strict=True)
        ]
        told = any(
            cell in MARKED.get(name.removesuffix("_loads"), ()) for name, cell in zip(names, row, strict=True)
        )
        for k in range(max(map(len, wrapped))):
            text = line([lines[k] if k < len(lines) else "" for lines in wrapped])
            out.append(styled(text, sys.stdout, fg="yellow") if told else text)
    return "\n".join(out)


def shortened(text: str, width: int) -> str:
    """The text in so many places: both its ends, with dots for what is left out between them."""
    if len(text) <= width:
        return text
    end = width // 2
    return f"{text[: width - end - 1]}…{text[-end:]}"


def _wrapped(text: str, width: int) -> list[str]:
    """The text in lines of a width, broken after blanks, slashes and underscores where there are any."""
    if len(text) <= width:
        return [text]
    lines = [""]
    for piece in re.findall(r"\s+|[^\s/_]*[/_]+|[^\s/_]+", text):
        if len(lines[-1]) + len(piece) > width and lines[-1].strip():
            lines.append("")
        rest = piece if lines[-1] else piece.lstrip()
        while len(lines[-1]) + len(rest) > width:
            lines[-1], rest = (lines[-1] + rest)[:width], (lines[-1] + rest)[width:]
            lines.append("")
        lines[-1] += rest
    return [line.rstrip() for line in lines]


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if 0 < value < LEAST_NUMBER:
            return f"<{LEAST_NUMBER:f}".rstrip("0")
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
