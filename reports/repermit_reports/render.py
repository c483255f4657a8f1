"""Turns a `Page` into one self-contained HTML text and writes it. The only module that knows the templates.

May import `wording`, `page`, `plain`, `specs`, `theme` and the package's errors. No clock, no random number:
the same page gives the same bytes. The page's own policy forbids it to load anything and to run anything but
the scripts whose hashes it names.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup, escape

from repermit import wording
from repermit.errors import StoreError
from repermit_reports import specs, theme
from repermit_reports.page import Column, Page, Table
from repermit_reports.plain import plain

CONTENTS_FROM = 4
"""A page with so many sections or more opens with a table of contents."""


MOST_ROWS = 500
"""More rows of a table nobody reads on a page; its CSV file has all."""
FOLDED_FROM = 30
"""A table of more rows among the data used is folded: a store may have read hundreds of files."""


class Cell(NamedTuple):
    """One cell as shown, and the number or ISO date it sorts by; None: by its text, unknown ones last."""

    text: str
    sort: str | None = None
    href: str | None = None


@dataclass(frozen=True)
class EndPart:
    """One of the parts that every page ends with. Its id can't be a section's: those hold no underscore."""

    id: str
    title: str
    items: tuple[str | Table, ...]
    words: tuple[tuple[str, str], ...] = ()


def render(page: Page) -> str:
    """The page as one HTML text that needs nothing else.

    Raises ValueError where a chart or a cell holds what can't be shown (see `specs`, `wording`).
    """
    drawn = {
        section.figure.id: specs.spec_of(section.figure.chart) for section in page.sections if section.figure
    }
    style = theme.css_variables() + _text("page.css")
    scripts = [specs.javascript()] if drawn else []
    scripts.append(_text("page.js"))
    first, last = _end_parts(page)
    titles = [(section.id, section.title) for section in page.sections]
    return (
        _environment()
        .get_template("page.html")
        .render(
            page=page,
            contents=titles + [(part.id, part.title) for part in last]
            if len(titles) >= CONTENTS_FROM
            else [],
            first=first,
            last=last,
            stills={id_: _still(spec) for id_, spec in drawn.items()},
            wide={id_ for id_, spec in drawn.items() if specs.composed(spec)},
            charts=Markup(specs.json_text(_charts(drawn))),
            style=Markup(style),
            scripts=[Markup(script) for script in scripts],
            policy=_policy(style, scripts),
            folded_from=FOLDED_FROM,
        )
    )


def write(page: Page, path: Path) -> Path:
    """Renders the page and puts it at `path` in one step, so that no half-written page is ever there.

    Raises StoreError where the disk refuses.
    """
    return put(render(page).encode(), path)


def put(content: bytes, path: Path) -> Path:
    """Puts a file at `path` in one step. Raises StoreError where the disk refuses."""
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(content)
        os.replace(part, path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        reason = f"{path}: it can't be written: {error.strerror}"
        hint = f"Give a file, such as {path / 'page.html'}." if path.is_dir() else ""
        raise StoreError(reason, hint=hint or "Check the folder and the space on its disk.") from error
    return path


def cell(value: Any, column: Column) -> Cell:
    """The value of a table as text, by the kind of its column."""
    if value is None:
        return Cell(wording.UNKNOWN)
    match column.kind:
        case "text":
            return Cell(str(value))
        case "link":
            return Cell(str(value[0]), href=quote(value[1], safe=""))
        case "date":
            return Cell(wording.day(value), wording.day(value))
        case "integer":
            return Cell(wording.whole(value), repr(float(value)))
        case "money":
            return Cell(wording.amount(value), repr(float(value)))
        case "percent":
            return Cell(wording.percent(value), repr(float(value)))
        case "p":
            return Cell(wording.chance(value), repr(float(value)))
        case "share":
            part, of = value
            return Cell(wording.share(part, of), None if part is None or not of else repr(part / of))
        case "interval":
            point, low, high = value if len(value) == 3 else (None, *value)
            first = next((repr(float(one)) for one in (point, low, high) if one is not None), None)
            return Cell(wording.estimate(point, low, high, as_percent=column.unit == "%"), first)
    return Cell(wording.number(value), repr(float(value)))


def rows(table: Table, wide: bool) -> Markup:
    """The rows of a table, the first of many. A page may have thousands, so not by a template: that takes twice as long."""
    opens = []
    for i, column in enumerate(table.columns):
        unit = f", {column.unit}" if column.unit and column.unit != "%" else ""
        role = f' role="{"cell" if i else "rowheader"}" data-label="{_safe(column.label)}{_safe(unit)}"'
        opens.append(("<td" if i else "<th scope=row") + (role if wide else "") + _kind(column))
    row_opens = '<tr role="row">\n' if wide else "<tr>\n"
    parts: list[str] = []
    for row in table.rows[:MOST_ROWS]:
        parts.append(row_opens)
        for i, value in enumerate(row):
            shown = cell(value, table.columns[i])
            text = _safe(shown.text)
            if shown.href is not None:
                text = f'<a href="{_safe(shown.href)}">{text}</a>'
            if value is None:
                known = ' title="not known" data-unknown'
            else:
                known = "" if shown.sort is None else f' data-sort="{shown.sort}"'
            parts.append(f"{opens[i]}{known}>{text}{'</td>' if i else '</th>'}\n")
        parts.append("</tr>\n")
    return Markup("".join(parts))


def cut(table: Table) -> str:
    """What a caption adds where a table has more rows than are shown."""
    many = len(table.rows)
    return (
        f"; the first {wording.whole(MOST_ROWS)} of {wording.whole(many)}, all with --csv"
        if many > MOST_ROWS
        else ""
    )


def _kind(column: Column) -> str:
    """The class of the cells of a column, as an attribute."""
    if column.kind in ("text", "link"):
        return ""
    return ' class="day"' if column.kind == "date" else ' class="figures"'


@lru_cache(maxsize=20_000)
def _safe(text: str) -> str:
    """A text as a template would put it: with nothing that HTML takes for its own. Most cells say what others said."""
    return str(escape(_shown(text)))


def _end_parts(page: Page) -> tuple[list[EndPart], list[EndPart]]:
    """The parts before the sections and those after them; a part with nothing in it is left out."""
    cautions = [EndPart("page_cautions", "Cautions", page.cautions)]
    others = [
        EndPart("page_data", "Data used", page.data_used),
        EndPart("page_methods", "Methods and sources", page.methods),
        EndPart("page_assumptions", "Assumptions", page.assumptions),
        EndPart("page_glossary", "Words used here", (), page.glossary),
    ]
    before, after = (cautions, others) if page.kind in ("shop", "card") else ([], others + cautions)
    return [part for part in before if part.items], [part for part in after if part.items or part.words]


def _charts(drawn: dict[str, specs.Spec]) -> dict[str, Any]:
    """What the page's script draws from."""
    configs = {scheme: theme.chart_config(scheme) for scheme in theme.COLOURS}
    return {"specs": drawn, "configs": configs, "narrow": theme.NARROW} if drawn else {"specs": {}}


def _still(spec: specs.Spec) -> str:
    """The still picture as an address that an image element takes; scripts in an image never run."""
    return "data:image/svg+xml;base64," + base64.b64encode(specs.svg(spec).encode()).decode()


def _policy(style: str, scripts: list[str]) -> str:
    """The content security policy: nothing from elsewhere, no script and no style but these."""
    return (
        f"default-src 'none'; script-src {' '.join(map(_hashed, scripts))}; style-src {_hashed(style)}; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


@cache
def _hashed(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@cache
def _environment() -> Environment:
    environment = Environment(
        autoescape=True,
        loader=FunctionLoader(_text),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )
    environment.filters["paragraphs"] = lambda text: [
        part for part in re.split(r"\n\s*\n", text) if part.strip()
    ]
    environment.filters["rows"] = rows
    environment.filters["cut"] = cut
    environment.tests["table"] = lambda value: isinstance(value, Table)
    return environment


def _shown(value: Any) -> Any:
    """What the templates do to every text: invisible characters shown, no break before a percent sign."""
    if isinstance(value, str) and not isinstance(value, Markup):
        if value.isascii() and value.isprintable() and "%" not in value:  # most texts: nothing to look for
            return value
        return re.sub(r"(?<=\d) (?=%)", "\N{NO-BREAK SPACE}", plain(value))
    return value


@cache
def _text(name: str) -> str:
    return files("repermit_reports").joinpath("templates", name).read_text(encoding="utf-8")
