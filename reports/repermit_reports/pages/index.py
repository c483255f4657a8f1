"""The front door of a folder of pages. Takes what each page says in its headline, gives a `Page` of links."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from repermit_reports.page import Column, Page, Section, Table
from repermit_reports.pages.words import CAUTIONS

KINDS = {
    "monthly": (
        "Months",
        "For the reliability analyst. What was refused in the month and whether it is news; where the faults were and why; whether trailers get better or worse, which fixes hold, which trailers and lanes stand out; next quarter.",
    ),
    "fleet": (
        "Fleets",
        "For the owner, in two minutes. What refusals cost, where hours and money go, how the fleet stands against like ones, the few things that pay.",
    ),
    "shop": (
        "Shops",
        "For the foreman, at the bench or printed. Where to look first, which fixes hold, what comes back, what was replaced in vain.",
    ),
    "terminal": (
        "Terminals",
        "For whoever has the lanes serviced. Which lane refuses trailers that load elsewhere without a repair, and since when.",
    ),
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
    months = sorted(e.name for e in entries if e.kind == "monthly")
    newest = next((e.headline for e in entries if months and (e.kind, e.name) == ("monthly", months[-1])), "")
    return Page(
        kind="index",
        title="Refused trailers: start here",
        subtitle=f"{len(entries)} pages; each holds everything it shows and opens without a network",
        headline=newest or f"{len(entries)} pages of the store {store}.",
        lede="All pages look at the same records, each for one reader. Take the one that is yours; the line beside it is what it says.",
        sections=tuple(sections),
        cautions=CAUTIONS,
        data_used=(f"Store {store}, data {fingerprint}. Pages of earlier months stand as they were made.",),
        methods=(),
        assumptions=(),
        made_on=made_on,
    )


def _table(kind: str, entries: tuple[Entry, ...]) -> Table:
    caption = "The last month first" if kind == "monthly" else f"{KINDS[kind][0]}: pages"
    return Table(
        f"{kind}-pages",
        caption,
        (Column("page", "page", kind="link"), Column("headline", "what it says")),
        tuple(((e.name, e.file), e.headline or "made earlier") for e in entries),
    )
