"""Found against indicated: where faults were, of what the tester named."""

from __future__ import annotations

from collections import Counter

from repermit.studies.location.located import Found
from repermit.studies.readers.monthly import Monthly
from repermit.wording import position_words, seen, words
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Section, Table


def located_section(m: Monthly) -> Section:
    """The agreement in words, the matrix as a picture, every cell with its share and limits."""
    found = m.located
    if not found.rows:
        return Section("located", "Found against indicated", "No visit has both the position the tester named and a finding on record.")  # fmt: skip
    cells = Counter[tuple[int, str]]()
    named = Counter[int]()
    for row in found.rows:
        cells[row.indicated_position, _place(row)] += row.repairs
        named[row.indicated_position] += row.repairs
    rows = [
        {"named": str(k), "found": where, "n": n, "of": named[k], "same": str(k) == where}
        for (k, where), n in sorted(cells.items())
    ]
    order = sorted({where for _, where in cells}, key=lambda where: (not where.isdigit(), len(where), where))
    return Section(
        "located",
        "Found against indicated",
        "\n\n".join(found.sentences()),
        figure=Figure(
            "located-figure",
            charts.found_against_named(rows, [str(k) for k in sorted(named)], order),
            "Visits by the position that the tester named (columns) and where the fault was found (rows); framed where both are the same.",
        ),
        drawn=_cells(cells, named),
        table=_table(found.rows),
        notes=(
            f"All records to {m.about.end}. Left out: {seen(found.not_indicated, 'visit').replace('no visits seen', 'no visit')} in which the tester named no position, and {seen(found.not_recorded, 'visit').replace('no visits seen', 'none')} without a finding on record.",
            "A tester names the first position that the pulse does not get past. With the supply fed from the rear a poor supply shows as position 1 wherever it is; an open link between two positions may show as either.",
        ),
    )


def _place(row: Found) -> str:
    return "no fault found" if row.found_place == "none_found" else position_words(row.found_position)


def _cells(cells: Counter[tuple[int, str]], named: Counter[int]) -> Table:
    """The picture in numbers."""
    return Table(
        "named-table",
        "Where the fault was, of what the tester named, all systems together",
        (
            Column("named", "tester named", kind="integer"),
            Column("found", "found at"),
            Column("n", "visits, of those named so", kind="share"),
        ),
        tuple((k, where, (n, named[k])) for (k, where), n in sorted(cells.items())),
    )


def _table(rows: tuple[Found, ...]) -> Table:
    of = Counter[tuple[str | None, int]]()
    for r in rows:
        of[r.system, r.indicated_position] += r.repairs
    return Table(
        "located-table",
        "Where the fault was, of what the tester named; shares are within the system and position named",
        (
            Column("system", "system"),
            Column("named", "tester named", kind="integer"),
            Column("found", "found at"),
            Column("place", "place"),
            Column("n", "visits, of those named so", kind="share"),
            Column("share", "share, 95 % limits", unit="%", kind="interval"),
        ),
        tuple(
            (words(r.system), r.indicated_position, _place(r), words(r.found_place), (r.repairs, of[r.system, r.indicated_position]), (r.share_low, r.share_high))
            for r in rows
        ),
    )  # fmt: skip
