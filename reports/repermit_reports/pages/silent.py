"""The part of a page on failures that never stop a load. Takes `Silent`, gives the page with it. Plain words only."""

from __future__ import annotations

from dataclasses import replace

from repermit.studies.silent import Silent, SilentRow
from repermit.wording import whole, words
from repermit_reports.page import Column, Page, Section, Table

METHOD = (
    "Stuck dry: tests that found it, over the time between two tests of one position; limits as for other rates. The chance"
    " when needed is 1 - (1 - exp(-rate x interval)) / (rate x interval), for small ones half of rate times interval: the average"
    " probability of failure on demand of one channel, found by the test only (IEC 61508-6, annex B, from memory)."
)
NEEDED = "It leaves out what the test itself misses, and the time until a sensor found stuck is changed."


def with_silent(page: Page, silent: Silent | None) -> Page:
    """The page with a section on planned function tests before that on the records, where there are any tests."""
    if silent is None or not page.sections:
        return page
    before = ("quarantine", "own-numbers")
    at = next((i for i, s in enumerate(page.sections) if s.id in before), len(page.sections))
    sections = (*page.sections[:at], _section(silent), *page.sections[at:])
    return replace(page, sections=sections, methods=(*page.methods, METHOD))


def _section(s: Silent) -> Section:
    first = (
        f" {whole(s.first_tests)} tests were the first of their position on record and tell nothing of how fast; {whole(s.first_stuck_dry)} of them found a sensor stuck dry."
        if s.first_tests
        else ""
    )
    return Section(
        "silent",
        "Sensors stuck dry: what no refusal shows",
        f"A sensor stuck dry never refuses a load, so only planned function tests find it. {s.total.sentence()}{first}",
        table=Table(
            "silent-table",
            f"Planned function tests before {s.about.end}",
            (
                Column("kind", "sensors"),
                Column("tests", "tests", kind="integer", help="with a test of the same position before them"),
                Column("dry", "stuck dry", kind="integer"),
                Column("wet", "stuck wet", kind="integer", help="these do stop loads"),
                Column("years", "position-years", kind="number"),
                Column("rate", "stuck dry a position-year", kind="interval"),
                Column(
                    "every",
                    "days between tests",
                    kind="integer",
                    help="each weighted with itself, as faults wait longest in the longest",
                ),
                Column("chance", "stuck dry when needed", unit="%", kind="interval"),
            ),
            tuple(_cells(row) for row in (*s.rows, s.total)),
        ),
        notes=(NEEDED,),
    )


def _cells(row: SilentRow) -> tuple[object, ...]:
    def three(name: str) -> tuple[float, float | None, float | None] | None:
        value: float | None = getattr(row, name)
        return None if value is None else (value, getattr(row, f"{name}_low"), getattr(row, f"{name}_high"))

    kind = ", ".join(words(name) for name in (row.system, row.sensor_kind) if name) or "all"
    every = None if row.interval_days is None else round(row.interval_days)
    return (
        kind, row.tests, row.stuck_dry, row.stuck_wet, row.position_years, three("per_position_year"), every, three("on_demand"),
    )  # fmt: skip
