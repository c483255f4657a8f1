"""Makes the pages: opens the store, asks the study of a page, writes the page, and says where it is."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from repermit.cli.made_before import MadeBefore
from repermit.cli.options import asking, now
from repermit.cli.talk import say
from repermit.errors import CallError, StoreError

if TYPE_CHECKING:
    from repermit.reports_made import Report
    from repermit.studies.selection import Selection, Window
    from repermit.warehouse import Connection
    from repermit_reports.page import Page
    from repermit_reports.pages.index import Entry


def file_name(kind: str, name: str) -> str:
    """The file of a page: its kind and what it is about, in letters that any system takes."""
    plain = re.sub(r"[^\w-]+", "-", name).strip("-_") or "unnamed"
    if plain != name:  # two names must not share a file
        import hashlib

        plain += "-" + hashlib.sha256(name.encode()).hexdigest()[:6]
    return f"{kind}-{plain[:80]}.html"


def write_page(
    kind: str,
    store: Path,
    name: str | None,
    month: str | None,
    as_of: str | None,
    out: Path | None,
    wait: float,
    csv: bool = False,
) -> Path:
    """Make one page and return where it is. Raises CallError for a month, fleet, shop or terminal not there."""
    from repermit_reports.render import write

    with asking(store, wait, as_of) as con:
        window = last_month(con, month)
        about = name or f"{window.first:%Y-%m}"
        path = out or Path(file_name(kind, about + _then(as_of)))
        before = MadeBefore(con, store.name)
        if not csv and as_of is None and before.as_it_would_be(path, kind, name, window):
            say(f"unchanged: {path}")
            return path
        say(f"asking {store} about {about}")
        page, report = make(con, store.name, kind, name, window)
    written = write(page, path)
    if csv:
        say(f"tables: {write_tables(page, written)}")
    if as_of is None:
        before.add(written, kind, name, window, page.headline)
        _keep(store, [report], before, wait)
    return written


def _keep(store: Path, made: list[Report], before: MadeBefore, wait: float) -> None:
    """Write down in the store that the reports were made; where it can't be written, say so."""
    from repermit.reports_made import keep

    try:
        keep(store, made, before.new, now=now(), wait_s=wait)
    except StoreError as error:
        say(f"the store holds no record of {'these reports' if made[1:] else 'this report'}: {error.what}")


def _then(as_of: str | None) -> str:
    """What tells a page of what was known then from the page of what is known now."""
    return "" if as_of is None else f"-as-of-{as_of}"


def last_month(con: Connection, month: str | None) -> Window:
    """The month asked for, or the last that the records cover to its end."""
    from repermit.studies.selection import last_complete_month, parse_month

    window = parse_month(month) if month is not None else last_complete_month(con)
    if window is None:
        raise CallError(
            "the store covers no whole month to report", hint="Ingest more records, or give --month."
        )
    return window


def make(con: Connection, store: str, kind: str, name: str | None, month: Window) -> tuple[Page, Report]:
    """The page of one kind about one name, with `month` as its last, and what is to be written down of it.

    It says what changed since the report before it, and where it tells what was known then.
    """
    from dataclasses import replace

    from repermit.as_of import asked_for
    from repermit.studies.frequency.silent import silent
    from repermit.studies.records.reported import report_of, since
    from repermit_reports.pages.changes import with_changes
    from repermit_reports.pages.silent import with_silent

    page = _page(con, store, kind, name, month)
    if kind != "terminal":
        page = with_silent(page, silent(con, store, _asked(con, kind, name, month)))
    page = _with_clock(con, page, kind, name)
    report = report_of(con, kind, name, month, page.headline)
    page = with_changes(page, since(con, kind, name, month))
    then = asked_for(con)
    return (page if then is None else replace(page, subtitle=f"{page.subtitle}. {then}")), report


def _with_clock(con: Connection, page: Page, kind: str, name: str | None) -> Page:
    """The page with a line among the data used where the clock of its shop or terminal seems wrong."""
    from dataclasses import replace

    from repermit.studies.records.clocks import clock_errors

    if kind not in ("shop", "terminal"):
        return page
    wrong = tuple(e.sentence for e in clock_errors(con) if (e.place, e.name) == (kind, name))
    return replace(page, data_used=(*page.data_used, *wrong)) if wrong else page


def _asked(con: Connection, kind: str, name: str | None, month: Window) -> Selection:
    """The selection that a page of that kind speaks of."""
    from repermit.studies.selection import select

    about = {kind: name} if kind in ("fleet", "shop") else {}
    return select(con, month=f"{month.first:%Y-%m}", **about)


def _page(con: Connection, store: str, kind: str, name: str | None, month: Window) -> Page:
    from dataclasses import replace

    from repermit.studies.selection import select

    last = f"{month.first:%Y-%m}"
    if kind == "monthly":
        from repermit.studies.readers.monthly import monthly
        from repermit_reports.pages.monthly.page import monthly_page

        return monthly_page(monthly(con, store, select(con, month=last)))
    if kind == "fleet":
        from repermit.studies.readers.fleet import fleet_record, year_to
        from repermit_reports.pages.fleet import fleet_page

        chosen = select(con, month=last, fleet=name)
        return fleet_page(fleet_record(con, store, replace(chosen, window=year_to(con, month))))
    if kind == "shop":
        from repermit.studies.readers.shop import shop_record
        from repermit_reports.pages.shop import shop_page

        return shop_page(shop_record(con, store, select(con, month=last, shop=name)))
    from repermit.studies.readers.terminal import terminal
    from repermit_reports.pages.terminal import terminal_page

    return terminal_page(terminal(con, store, select(con, month=last, terminal=name)))


def write_tables(page: Page, beside: Path) -> Path:
    """Each table of a page as a CSV file that opens inertly, in a folder named as the page; returns the folder."""
    from repermit.cli.show import as_csv
    from repermit_reports.flat import flat, tables
    from repermit_reports.render import put

    folder = beside.with_name(f"{beside.stem}-tables")
    for name, table in tables(page):
        put(as_csv(*flat(table)).encode(errors="replace"), folder / f"{name}.csv")
    return folder


def write_all(
    store: Path, out: Path | None, month: str | None, as_of: str | None, wait: float, csv: bool = False
) -> list[Path]:
    """Make the month's page and those of every fleet, shop and terminal, and an index over the folder.

    Pages of earlier months that lie in the folder stay, and the index lists them.
    """
    from repermit.studies.selection import known
    from repermit.warehouse import fingerprint
    from repermit_reports.pages.index import Entry, index_page
    from repermit_reports.render import write

    out = out or Path("pages" + _then(as_of))
    with asking(store, wait, as_of) as con:
        window = last_month(con, month)
        wanted: list[tuple[str, str | None]] = [("monthly", None)]
        wanted += [(kind, name) for kind in ("fleet", "shop", "terminal") for name in known(con, kind)]
        entries, written, made = [], [], []
        before = MadeBefore(con, store.name)
        for kind, name in wanted:
            about = name or f"{window.first:%Y-%m}"
            path = out / file_name(kind, about)
            written.append(path)
            same = None if csv or as_of else before.as_it_would_be(path, kind, name, window)
            say(f"{kind} page: {about}{' (unchanged)' if same else ''}")
            if same:
                entries.append(Entry(kind, about, path.name, same.headline))
                continue
            page, report = make(con, store.name, kind, name, window)
            made.append(report)
            write(page, path)
            before.add(path, kind, name, window, page.headline)
            if csv:
                say(f"tables: {write_tables(page, path)}")
            entries.append(Entry(kind, about, path.name, page.headline))
        mark = fingerprint(con)
    if as_of is None and made:
        _keep(store, made, before, wait)
    entries += _earlier(out, {e.file for e in entries})
    written.append(write(index_page(tuple(entries), store.name, mark, window.end), out / "index.html"))
    return written


def _headline(path: Path) -> str:
    """The headline of a page that lies in the folder; empty where it has none."""
    from html import unescape

    text = path.read_text(encoding="utf-8", errors="replace")
    found = re.search(r'<p class="headline">(.*?)</p>', text, re.DOTALL)
    return unescape(found[1]) if found else ""


def _earlier(out: Path, made: set[str]) -> list[Entry]:
    """The months' pages, and the validation page, that lie in the folder from before."""
    from repermit_reports.pages.index import Entry

    found = []
    for path in sorted(out.glob("monthly-*.html")):
        month = path.stem.removeprefix("monthly-")
        if path.name not in made and re.fullmatch(r"\d{4}-\d{2}", month):
            found.append(Entry("monthly", month, path.name, _headline(path)))
    if (out / "validation.html").exists():
        found.append(
            Entry(
                "validation", "validation", "validation.html", "The rules of the input contract, asked again."
            )
        )
    return found
