"""Makes the page of what the store told, and draws and writes pages in a process of its own.

While one page is drawn the store is asked for the next. What is drawn depends on what was told alone, so where and
when it is drawn makes no difference. While that process has nothing to draw it can ask the store itself: for a page,
or for an answer that this one will need.
"""

from __future__ import annotations

from contextlib import ExitStack
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from repermit.cli.beside import beside

if TYPE_CHECKING:
    from concurrent.futures import Future

    from repermit.cli.told import Told
    from repermit.reports_made import Report
    from repermit.studies.ages.trend import Trends
    from repermit.studies.selection import Window
    from repermit.warehouse import Connection
    from repermit_reports.page import Page


def page_of(told: Told) -> Page:
    """The page. It says what changed since the report before it, and where it tells what was known then."""
    from dataclasses import replace

    from repermit_reports.pages.changes import with_changes
    from repermit_reports.pages.silent import with_silent

    page = _page(told)
    if told.silent is not None:
        page = with_silent(page, told.silent)
    page = with_changes(replace(page, data_used=(*page.data_used, *told.clocks)), told.since)
    return page if told.then is None else replace(page, subtitle=f"{page.subtitle}. {told.then}")


def _page(told: Told) -> Page:
    if told.kind == "monthly":
        from repermit_reports.pages.monthly.page import monthly_page

        return monthly_page(told.result)
    if told.kind == "fleet":
        from repermit_reports.pages.fleet.page import fleet_page

        return fleet_page(told.result)
    if told.kind == "shop":
        from repermit_reports.pages.shop.page import shop_page

        return shop_page(told.result)
    from repermit_reports.pages.terminal.page import terminal_page

    return terminal_page(told.result)


def write_tables(page: Page, beside: Path) -> Path:
    """Each table of a page as a CSV file that opens inertly, in a folder named as the page; returns the folder."""
    from repermit.cli.show import as_csv
    from repermit_reports.flat import flat, tables
    from repermit_reports.render import put

    folder = tables_beside(beside)
    for name, table in tables(page):
        put(as_csv(*flat(table)).encode(errors="replace"), folder / f"{name}.csv")
    return folder


def tables_beside(page: Path) -> Path:
    """The folder of a page's tables."""
    return page.with_name(f"{page.stem}-tables")


def begin() -> None:
    """Start the process that draws, so that it has read its libraries when the first page is told."""
    beside(_ready)


def drawn(told: Told, path: Path, csv: bool) -> Future[Report]:
    """The page drawn and put at `path`, where asked with its tables beside; it gives its report in the end."""
    return beside(_draw, told, path.absolute(), csv)


def asked_and_drawn(
    store: Path, kind: str, name: str | None, month: Window, path: Path, csv: bool
) -> Future[Report]:
    """The same of a page that the process beside asks for itself; it keeps the store open until `let_go`."""
    return beside(_ask_and_draw, store.absolute(), kind, name, month, path.absolute(), csv)


def trends_beside(con: Connection, store: Path, month: Window) -> None:
    """The process beside works out the trends of the month's page, for when they are asked for on this connection to
    the store as it is now; it keeps the store open until `let_go`."""
    from repermit.studies.ages.trend import trend
    from repermit.studies.readers.monthly import trends_asked
    from repermit.studies.selection import Selection
    from repermit.warehouse import promise

    asked = trends_asked(con, store.name, Selection(month))
    promise(con, trend, asked, beside(_trends, store.absolute(), *asked).result)


def let_go() -> None:
    """The process beside closes the store that it asked, so that it may be written to."""
    beside(_close).result()


@cache
def _ready() -> None:
    """The libraries that draw, and those in the page, are slow the first time."""
    from repermit_reports import specs

    specs.javascript()
    specs.svg({"mark": "point", "data": {"values": []}})


def _draw(told: Told, path: Path, csv: bool) -> Report:
    from dataclasses import replace

    from repermit_reports import specs
    from repermit_reports.render import write

    with specs.unchecked():
        page = page_of(told)
        write(page, path)
    if csv:
        write_tables(page, path)
    return replace(told.report, headline=page.headline)


def _ask_and_draw(store: Path, kind: str, name: str | None, month: Window, path: Path, csv: bool) -> Report:
    from repermit.cli.told import ask

    return _draw(ask(_opened(store), store.name, kind, name, month), path, csv)


def _trends(store: Path, *asked: Any) -> Trends:
    from repermit.studies.ages.trend import trend

    return trend(_opened(store), *asked)


_held = ExitStack()


@cache
def _opened(store: Path) -> Connection:
    from repermit.warehouse import opened

    return _held.enter_context(opened(store))


def _close() -> None:
    _held.close()
    _opened.cache_clear()
