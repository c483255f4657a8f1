"""The monthly page, for the analyst: its sections in order. Takes `Monthly`, gives a `Page`."""

from __future__ import annotations

from collections.abc import Callable

from repermit.studies.readers.monthly import Monthly
from repermit_reports.page import Page, Section
from repermit_reports.pages.monthly import summary
from repermit_reports.pages.monthly.before_after import before_after
from repermit_reports.pages.monthly.by_age import by_age, by_group
from repermit_reports.pages.monthly.by_month import by_month
from repermit_reports.pages.monthly.causes import causes
from repermit_reports.pages.monthly.changed import changed
from repermit_reports.pages.monthly.faults import faults
from repermit_reports.pages.monthly.fixes import fixes_section
from repermit_reports.pages.monthly.lanes import lanes_section
from repermit_reports.pages.monthly.lives import lives_section
from repermit_reports.pages.monthly.located import located_section
from repermit_reports.pages.monthly.method_words import ASSUMPTIONS, GLOSSARY, METHODS
from repermit_reports.pages.monthly.outcomes import outcomes
from repermit_reports.pages.monthly.positions import by_position, position_by_cause
from repermit_reports.pages.monthly.quality import quality
from repermit_reports.pages.monthly.shops import shops_section
from repermit_reports.pages.monthly.worse import worse_section
from repermit_reports.pages.outlook import outlook_section
from repermit_reports.pages.words import CAUTIONS, data_sentence, files_sentence, files_table, records_give

SECTIONS: tuple[Callable[[Monthly], Section | None], ...] = (
    changed,
    by_month,
    outcomes,
    faults,
    by_position,
    position_by_cause,
    causes,
    located_section,
    lambda m: by_age(m.trends.total, int(m.about.settings["min_trailers"])),
    by_group,
    lives_section,
    fixes_section,
    lambda m: shops_section(m.shops),
    worse_section,
    lanes_section,
    before_after,
    lambda m: outlook_section(m.outlook),
    quality,
)
"""In the order of the page: is it news, where and why, better or worse, what holds, who, what comes, how good the records are."""


def monthly_page(m: Monthly) -> Page:
    """The page of one month; of a month without records it says so and shows nothing else."""
    if m.has_data:
        sections = tuple(section for part in SECTIONS if (section := part(m)))
        headline, lede = summary.headline(m), summary.paragraph(m)
    else:
        sections = ()
        headline = f"No loads, refusals or visits are on record for {m.month}."
        lede = "There is nothing to report, which is not the same as nothing having happened. Ingest the month's files, or choose another month."
    return Page(
        kind="monthly",
        title=f"Refused trailers: {m.month}",
        subtitle="Monthly report for the reliability analyst",
        headline=headline,
        lede=lede,
        sections=sections,
        cautions=CAUTIONS,
        data_used=(
            data_sentence(m.about),
            records_give(m.about),
            files_sentence(m.files),
            files_table(m.files),
        ),
        methods=METHODS,
        assumptions=ASSUMPTIONS,
        dated=f"Records before {m.year.end}",
        glossary=GLOSSARY,
    )
