"""The front door of a folder of pages. Takes what each page says in its headline, gives a `Page` of links."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from repermit_reports.page import Column, Page, Section, Table
from repermit_reports.pages.words import CAUTIONS

KINDS = {
    "monthly": ("Months", "For the analyst: what was refused, where the faults were, what they cost."),
    "fleet": ("Fleets", "For the owner: hours and money, where they go, which trailers."),
    "shop": ("Shops", "For the foreman: which fixes hold and what comes back."),
    "terminal": ("Terminals", "For whoever has the lanes serviced: which lane refuses what loads elsewhere."),
    "validation": ("The records", "Whether the records that all pages stand on are what they should be."),
}


@dataclass(frozen=True)
class Entry:
    """One page in the folder: its kind, what it is about, its file, and its headline (empty: not made this time)."""

    kind: str
    name: str
    file: str
    headline: str = ""


def index_page(entries: tuple[Entry, ...], store: str, fingerprint: str, made_on: date) -> Page:
    """Links to every page, by kind; months newest first."""
    sections = []
    for kind, (title, lede) in KINDS.items():
        mine = sorted((e for e in entries if e.kind == kind), key=lambda e: e.name, reverse=kind == "monthly")
        if mine:
            sections.append(Section(kind, title, lede, table=_table(kind, tuple(mine))))
    return Page(
        kind="index",
        title="Refused trailers: all pages",
        subtitle="Each page holds everything it shows and opens without a network",
        headline=f"{len(entries)} pages of the store {store}.",
        lede="Start with the newest month; the other pages look at the same faults for one fleet, shop or terminal.",
        sections=tuple(sections),
        cautions=CAUTIONS,
        data_used=(f"Store {store}, data {fingerprint}. Pages of earlier months stand as they were made.",),
        methods=(),
        assumptions=(),
        made_on=made_on,
    )


def _table(kind: str, entries: tuple[Entry, ...]) -> Table:
    return Table(
        f"{kind}-pages",
        "Pages",
        (Column("page", "page", kind="link"), Column("headline", "what it says")),
        tuple(((e.name, e.file), e.headline or "made earlier") for e in entries),
    )
