"""Makes the pages: opens the store, asks for what a page tells, has it drawn, and says where it is."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from repermit.cli.drawn import asked_and_drawn, begin, drawn, let_go, tables_beside, trends_beside
from repermit.cli.made_before import MadeBefore
from repermit.cli.options import asking, now
from repermit.cli.talk import countdown, say
from repermit.cli.told import ask
from repermit.errors import CallError, StoreError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from concurrent.futures import Future

    from repermit.reports_made import Report
    from repermit.studies.selection import Window
    from repermit.warehouse import Connection
    from repermit_reports.pages.index import Entry


class Wanted(NamedTuple):
    """A page to be made: its kind, what it is about (None: everything), and where it is put."""

    kind: str
    name: str | None
    path: Path


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
    from repermit.studies.selection import not_named

    with asking(store, wait, as_of) as con:
        if name is None and kind != "monthly":
            raise not_named(con, kind)
        window = last_month(con, month)
        about = name or f"{window.first:%Y-%m}"
        path = out or Path(file_name(kind, about + _then(as_of)))
        before = MadeBefore(con, store.name)
        if not csv and as_of is None and before.as_it_would_be(path, kind, name, window):
            say(f"unchanged: {path}")
            return path
        say(f"asking {store} about {about}")
        begin()
        if kind == "monthly" and as_of is None:
            trends_beside(con, store, window)
        told = ask(con, store.name, kind, name, window)
        report = drawn(told, path, csv).result()
    let_go()
    if csv:
        say(f"tables: {tables_beside(path)}")
    if as_of is None:
        before.add(path, kind, name, window, report.headline)
        _keep(store, [report], before, wait)
    return path


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


def write_all(
    store: Path, out: Path | None, month: str | None, as_of: str | None, wait: float, csv: bool = False
) -> list[Path]:
    """Make the month's page and those of every fleet, shop and terminal, and an index over the folder.

    Pages of earlier months that lie in the folder stay, and the index lists them.
    """
    from repermit.studies.selection import known
    from repermit.warehouse import fingerprint
    from repermit_reports.pages.index import index_page
    from repermit_reports.render import write

    out = out or Path("pages" + _then(as_of))
    with asking(store, wait, as_of) as con:
        window = last_month(con, month)
        wanted: list[tuple[str, str | None]] = [("monthly", None)]
        wanted += [(kind, name) for kind in ("fleet", "shop", "terminal") for name in known(con, kind)]
        pages = [
            Wanted(kind, name, out / file_name(kind, name or f"{window.first:%Y-%m}"))
            for kind, name in wanted
        ]
        before = MadeBefore(con, store.name)
        left = countdown(len(pages))

        def said(page: Wanted, unchanged: str = "") -> None:
            say(f"{page.kind} page: {page.name or f'{window.first:%Y-%m}'}{unchanged}{left()}")

        headlines: dict[Path, str] = {}
        for page in pages:
            same = None if csv or as_of else before.as_it_would_be(page.path, page.kind, page.name, window)
            if same:
                said(page, " (unchanged)")
                headlines[page.path] = same.headline
        new = [page for page in pages if page.path not in headlines]
        made = _make(con, store, new, window, csv, as_of is None, said)
        mark = fingerprint(con)
    for page, report in made.items():
        headlines[page.path] = report.headline
        before.add(page.path, page.kind, page.name, window, report.headline)
        if csv:
            say(f"tables: {tables_beside(page.path)}")
    if as_of is None and made:
        _keep(store, list(made.values()), before, wait)
    entries = [
        _entry(kind, name or f"{window.first:%Y-%m}", path, headlines[path]) for kind, name, path in pages
    ]
    entries += _earlier(out, {e.file for e in entries})
    index = write(index_page(tuple(entries), store.name, mark, window.end), out / "index.html")
    return [*(page.path for page in pages), index]


def _make(
    con: Connection,
    store: Path,
    pages: Sequence[Wanted],
    month: Window,
    csv: bool,
    as_it_is: bool,
    said: Callable[[Wanted], None],
) -> dict[Wanted, Report]:
    """Make the pages: this process asks, the one beside draws.

    Of a store as it is, not as it was known then, that one asks as well, at first while it has nothing to draw: for the
    trends of the month, then for the shops' pages. Those that it has not begun once all others are asked for are asked
    for here.
    """
    if not pages:
        return {}
    begin()
    aside = [page for page in pages if page.kind == "shop" and as_it_is]
    if as_it_is and any(page.kind == "monthly" for page in pages):
        trends_beside(con, store, month)
    making: dict[Wanted, Future[Report]] = {}

    def ask_here(page: Wanted) -> None:
        for begun in making.values():
            if begun.done() and not begun.cancelled():
                begun.result()  # what fails there ends all
        said(page)
        making[page] = drawn(ask(con, store.name, page.kind, page.name, month), page.path, csv)

    def made_there(page: Wanted, done: Future[Report]) -> None:
        if not done.cancelled():
            said(page)

    try:
        for page in aside:
            making[page] = asked_and_drawn(store, page.kind, page.name, month, page.path, csv)
            making[page].add_done_callback(partial(made_there, page))
        for page in pages:
            if page not in making:
                ask_here(page)
        for page in reversed(aside):
            if making[page].cancel():
                ask_here(page)
        made = {page: making[page].result() for page in pages}
    except BaseException:
        for future in making.values():
            future.cancel()  # nobody waits for them any more
        raise
    let_go()
    return made


def _headline(path: Path) -> str:
    """The headline of a page that lies in the folder; empty where it has none."""
    from html import unescape

    text = path.read_text(encoding="utf-8", errors="replace")
    found = re.search(r'<p class="headline">(.*?)</p>', text, re.DOTALL)
    return unescape(found[1]) if found else ""


def _earlier(out: Path, made: set[str]) -> list[Entry]:
    """The months' pages, and the validation page, that lie in the folder from before."""
    found = []
    for path in sorted(out.glob("monthly-*.html")):
        month = path.stem.removeprefix("monthly-")
        if path.name not in made and re.fullmatch(r"\d{4}-\d{2}", month):
            found.append(_entry("monthly", month, path, _headline(path)))
    validation = out / "validation.html"
    if validation.exists():
        says = "The rules of the input contract, asked again."
        found.append(_entry("validation", "validation", validation, says))
    return found


def _entry(kind: str, about: str, path: Path, headline: str) -> Entry:
    """A page that lies in the folder, with its size and whether its tables lie beside it."""
    from repermit_reports.pages.index import Entry

    size_kb = max(1, round(path.stat().st_size / 1000))
    return Entry(kind, about, path.name, headline, size_kb, tables_beside(path).is_dir())
