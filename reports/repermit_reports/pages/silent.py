"""The part of a page on failures that never stop a load. Takes `Silent`, gives the page with it. Plain words only."""

from __future__ import annotations

from dataclasses import replace

from repermit.studies.frequency.silent import Silent, SilentRow
from repermit.wording import estimate, number, seen, whole, words
from repermit_reports.page import Column, Page, Section, Table

METHOD_PLAIN = "Stuck dry: tests that found it, over the time between two tests of one position. A sensor that went dry between two tests was so for half that time, on average; that is how many are dry when they are needed (IEC 61508-6, annex B, from memory)."
METHOD = (
    "Stuck dry: tests that found it, over the time between two tests of one position; limits as for other rates. The chance"
    " when needed is 1 - (1 - exp(-rate x interval)) / (rate x interval), for small ones half of rate times interval: the average"
    " probability of failure on demand of one channel, found by the test only (IEC 61508-6, annex B, from memory)."
)
TITLE = "Sensors stuck dry: what no refusal shows"
NEEDED = "It leaves out what the test itself misses, and the time until a sensor found stuck is changed."


def with_silent(page: Page, silent: Silent) -> Page:
    """The page with a section on planned function tests before that on the records, where there are any tests."""
    if not silent.rows or not page.sections:
        return page
    before = ("quarantine", "own-numbers")
    at = next((i for i, s in enumerate(page.sections) if s.id in before), len(page.sections))
    plain = page.kind != "monthly"
    section = _plain_section(silent) if plain else _section(silent)
    sections = (*page.sections[:at], section, *page.sections[at:])
    return replace(page, sections=sections, methods=(*page.methods, METHOD_PLAIN if plain else METHOD))


def _section(s: Silent) -> Section:
    first = (
        f" {whole(s.first_tests)} tests were the first of their position on record and tell nothing of how fast; {whole(s.first_stuck_dry)} of them found a sensor stuck dry."
        if s.first_tests
        else ""
    )
    return Section(
        "silent",
        TITLE,
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


def _plain_section(s: Silent) -> Section:
    """For owner and foreman: how many were found, and of a thousand how many are stuck when needed."""
    t = s.total
    lede = "A sensor stuck dry never refuses a load, so only planned function tests find it."
    if t.per_position_year is None or t.interval_days is None:
        lede += " No position has two such tests on record, so nothing can be told."
    else:
        count = seen(t.stuck_dry, "sensor") if t.stuck_dry else "No sensor"
        lede += (
            f" {count} was found stuck dry in {whole(t.tests)} tests."
            if t.stuck_dry < 2
            else f" {count} were found stuck dry in {whole(t.tests)} tests."
        )
        thousand = [
            None if p is None else round(p * 1000, 1)
            for p in (t.on_demand, t.on_demand_low, t.on_demand_high)
        ]
        chance = estimate(*thousand) if t.stuck_dry else f"at most {number(thousand[2])}"
        lede += f" Tested about every {whole(t.interval_days)} days, of 1,000 sensors {chance} are stuck dry when they are needed."
    if s.first_stuck_dry:
        lede += f" Another {whole(s.first_stuck_dry)} of {whole(s.first_tests)} were found at the first test of their position."
    columns = (
        Column("kind", "sensors"),
        Column("tests", "tests", kind="integer"),
        Column("dry", "stuck dry", kind="integer"),
        Column("wet", "stuck wet", kind="integer"),
    )
    rows = tuple((_kind(row), row.tests, row.stuck_dry, row.stuck_wet) for row in (*s.rows, t))
    table = Table("silent-table", f"Planned function tests before {s.about.end}", columns, rows)
    return Section("silent", TITLE, lede, table=table, notes=(NEEDED,))


def _kind(row: SilentRow) -> str:
    return ", ".join(words(name) for name in (row.system, row.sensor_kind) if name) or "all"


def _cells(row: SilentRow) -> tuple[object, ...]:
    def three(name: str) -> tuple[float, float | None, float | None] | None:
        value: float | None = getattr(row, name)
        return None if value is None else (value, getattr(row, f"{name}_low"), getattr(row, f"{name}_high"))

    every = None if row.interval_days is None else round(row.interval_days)
    return (
        _kind(row), row.tests, row.stuck_dry, row.stuck_wet, row.position_years, three("per_position_year"), every, three("on_demand"),
    )  # fmt: skip
