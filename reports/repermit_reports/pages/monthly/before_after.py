"""Did the changes work: faults of changed trailers against those expected without the change."""

from __future__ import annotations

from datetime import date

from repermit.studies.ages.changes import VERDICT_WORDS, AfterChange, ChangeRow, change_sentence
from repermit.studies.readers.monthly import Monthly
from repermit.wording import NAMED, whole
from repermit_reports.page import Column, Section, Table


def before_after(m: Monthly) -> Section | None:
    """Each change in words and in numbers; None where none is on record."""
    if not m.changes.rows:
        return None
    nothing = AfterChange(None, None, None, None, "too_few")
    found = [(row, row.told or nothing) for row in m.changes.rows]
    table = Table(
        "changes-table",
        "Faults of the changed trailers since, against those expected without the change",
        (
            Column("change", "change"),
            Column("since", "first made on", kind="date"),
            Column("trailers", "trailers", kind="integer"),
            Column("others", "trailers without it", kind="integer"),
            Column("before", "faults before", kind="integer"),
            Column("after", "faults since", kind="integer"),
            Column("expected", "expected without it", kind="number"),
            Column("ratio", "since over expected", kind="interval"),
            Column("verdict", "that is"),
        ),
        tuple(
            (row.change, date.fromisoformat(row.first_on), row.trailers, row.others, row.faults_before, row.faults_after,
             told.expected, None if told.ratio is None else (told.ratio, told.low, told.high), VERDICT_WORDS[told.verdict])
            for row, told in found
        ),
    )  # fmt: skip
    return Section(
        "changes",
        "Did the changes work",
        "\n\n".join(_told(found)),
        table=table,
        notes=(
            "Trailers that were chosen because they were bad come down by themselves, so each is held against its own past shrunken towards that of all, not against its raw count before. Season and drift are those of the trailers without the change.",
            "Other changes made to the same trailers at the time can't be told apart from this one.",
        ),
    )


def _told(found: list[tuple[ChangeRow, AfterChange]]) -> list[str]:
    """Each change in words; of many those that brought fewer or more faults, and how many others there are."""
    shown = [row for row, _ in found]
    if len(shown) > NAMED:
        shown = [row for row, told in found if told.verdict in ("fewer", "more")][:NAMED]
    rest = len(found) - len(shown)
    return [
        *map(change_sentence, shown),
        *([f"Of {whole(rest)} more changes the table tells."] if rest else []),
    ]
