"""The front door of a folder of pages. Takes what each page says in its headline, gives a `Page` of links."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from repermit_reports.page import Column, Page, Section, Table
from repermit_reports.pages.words import CAUTIONS

KINDS = {
    "monthly": (
        "Months: for the reliability analyst",
        "What was refused in the month and whether it is news; where the faults were and why; whether trailers get better or worse, which fixes hold, which trailers and lanes stand out; next quarter.",
    ),
    "fleet": (
        "Fleets: for the owner",
        "In two minutes: what to do, what refusals cost, where hours and money go, better or worse than the year before and than like fleets, next quarter.",
    ),
    "shop": (
        "Shops: for the foreman",
        "At the bench or printed: where to look first, which fixes hold, what comes back, what was replaced in vain.",
    ),
    "terminal": (
        "Terminals: for whoever has the lanes serviced",
        "Which lane refuses trailers that load elsewhere without a repair, since when, who met it, what it holds up, what to have looked at.",
    ),
    "validation": (
        "The records: are they sound",
        "Whether the records that all pages stand on are what they should be.",
    ),
}


@dataclass(frozen=True)
class Entry:
    """One page in the folder: its kind, what it is about, its file and that file's size, and its headline (empty: not known).

    `tables`: whether a folder beside it holds its tables as CSV.
    """

    kind: str
    name: str
    file: str
    headline: str = ""
    size_kb: int | None = None
    tables: bool = False


def index_page(entries: tuple[Entry, ...], store: str, fingerprint: str, end: date) -> Page:
    """Links to every page, by kind; months newest first."""
    sections = []
    for kind, (title, lede) in KINDS.items():
        mine = sorted((e for e in entries if e.kind == kind), key=lambda e: e.name, reverse=kind == "monthly")
        if mine:
            sections.append(Section(kind, title, lede, table=_table(kind, tuple(mine))))
    months = sorted(e.name for e in entries if e.kind == "monthly")
    newest = next((e.headline for e in entries if months and (e.kind, e.name) == ("monthly", months[-1])), "")
    return Page(
        kind="index",
        title="Refused trailers: start here",
        subtitle=f"To {end - timedelta(days=1)}. {len(entries)} pages; each holds everything it shows and opens without a network",
        headline=newest or f"{len(entries)} pages of the store {store}.",
        lede=f"All pages look at the same records, each for one reader. Take the one that is yours; the line beside it is what it says. {_csv(entries)}",
        sections=tuple(sections),
        cautions=CAUTIONS,
        data_used=(f"Store {store}, data {fingerprint}. Pages of earlier months stand as they were made.",),
        methods=(),
        assumptions=(),
        dated=f"Records before {end}",
    )


def _csv(entries: tuple[Entry, ...]) -> str:
    """Where the tables lie for other programs."""
    if any(e.tables for e in entries):
        return "The tables of a page, unrounded, lie as CSV files in the folder beside it that has its name and -tables at the end."
    return "With --csv the tables of each page, unrounded, are written beside it as CSV files."


def _table(kind: str, entries: tuple[Entry, ...]) -> Table:
    caption = "The last month first" if kind == "monthly" else f"{KINDS[kind][0].split(':')[0]}: pages"
    columns = (
        Column("page", "page", kind="link"),
        Column("headline", "what it says"),
        Column("size", "size", "kB", "integer"),
    )
    rows = tuple(((e.name, e.file), e.headline or "made earlier", e.size_kb) for e in entries)
    return Table(f"{kind}-pages", caption, columns, rows)
