"""The validation page. Takes a `Validation`, gives a `Page`."""

from __future__ import annotations

from repermit.studies.records.clocks import ClockError
from repermit.validate.run import Outcome, Validation
from repermit.wording import seen, whole
from repermit_reports.page import Column, Page, Section, Table
from repermit_reports.pages.words import CAUTIONS


def validation_page(v: Validation, clocks: tuple[ClockError, ...] = ()) -> Page:
    """Every expectation of the run, those that do not hold first."""
    blocking, advisory = v.failed, v.advisory
    if blocking:
        headline = f"{whole(len(blocking))} of {whole(len(v.outcomes))} expectations that block do not hold: do not use the figures until they do."
    else:
        look = (
            "1 advisory one deserves"
            if len(advisory) == 1
            else f"{whole(len(advisory))} advisory ones deserve"
        )
        headline = (
            f"All {whole(sum(o.blocks for o in v.outcomes))} blocking expectations hold; {look} a look."
        )
    tables = list(dict.fromkeys(o.table for o in v.outcomes))
    broken = (*blocking, *advisory)
    sections = [
        Section(
            "not-holding",
            "What does not hold",
            "Blocking expectations stop the use of the figures; advisory ones point at records worth a question."
            if broken
            else "Everything holds.",
            table=_table("not-holding-table", "Expectations that do not hold", broken, with_table=True)
            if broken
            else None,
            notes=tuple(error.sentence for error in clocks),
        )
    ]
    for name in tables:
        mine = tuple(o for o in v.outcomes if o.table == name)
        accepted = max((o.checked for o in mine if o.scope == "accepted"), default=0)
        waiting = max((o.checked for o in mine if o.scope == "read"), default=0)
        lede = f"{whole(accepted)} accepted rows looked at, and {whole(waiting)} that wait in the quarantine."
        if name == "loads":
            lede += " Of loads, the rules look at what came since the last validation in which they held."
        if name == "batches":
            lede = "The count of every file."
        fail = sum(not o.holds for o in mine)
        lede += f" {seen(len(mine), 'expectation')}: {whole(fail) if fail else 'none'} of them {'does' if fail < 2 else 'do'} not hold."
        sections.append(
            Section(
                f"of-{name.replace('_', '-')}",
                words_of(name),
                lede,
                table=_table(f"{name.replace('_', '-')}-table", f"Expectations on {name}", mine),
            )
        )
    return Page(
        kind="validation",
        title="Validation of the store",
        subtitle=f"Run {v.run_id}, {v.run_at:%Y-%m-%d %H:%M} UTC, store {v.store}, data {v.fingerprint}",
        headline=headline,
        lede="The rules of the input contract, asked again of what was accepted and of what was set aside: the counts must agree with the quarantine's. And what only a whole set of rows can show.",
        sections=tuple(sections),
        cautions=CAUTIONS,
        data_used=(f"Store {v.store}, data {v.fingerprint}.",),
        methods=(
            "Accepted rows must break no blocking rule. Of rows set aside, as many must break a rule as the quarantine gives it for a reason.",
            "Asked with Great Expectations, of the data in DuckDB; nothing leaves this machine.",
        ),
        assumptions=(),
        dated=f"Validated on {v.run_at.date()}",
    )


def words_of(name: str) -> str:
    """A table's name as a title."""
    return "Files" if name == "batches" else name.replace("_", " ").capitalize()


def _table(id_: str, caption: str, outcomes: tuple[Outcome, ...], *, with_table: bool = False) -> Table:
    """One row an expectation: what it found among the accepted rows (or the whole set), and among those set aside."""
    columns = [
        Column("text", "expectation"),
        Column("blocks", "kind"),
        Column("holds", "holds"),
        Column("checked", "looked at", kind="integer", help="accepted rows, or what the whole set holds"),
        Column("unexpected", "break it", kind="integer", help="of those looked at"),
        Column(
            "set_aside",
            "set aside",
            kind="integer",
            help="rows in the quarantine that break it, counted anew",
        ),
        Column(
            "quarantined",
            "by the quarantine",
            kind="integer",
            help="rows that the quarantine sets aside for it; the two must agree",
        ),
    ]
    asked: dict[tuple[str, str, bool], dict[str, Outcome]] = {}
    for o in outcomes:
        asked.setdefault((o.table, o.text, o.blocks), {})["read" if o.scope == "read" else "accepted"] = o
    rows = []
    for (table, text, blocks), found in asked.items():
        holds = all(o.holds for o in found.values())
        own, aside = found.get("accepted"), found.get("read")
        cells = [
            text,
            "blocking" if blocks else "advisory",
            "yes" if holds else "no",
            own.checked if own else None,
            own.unexpected if own else None,
            aside.unexpected if aside else None,
            aside.quarantined if aside else None,
        ]
        rows.append((holds, not blocks, [table, *cells] if with_table else cells))
    if with_table:
        columns.insert(0, Column("table", "table"))
    rows.sort(key=lambda row: row[:2])
    # what does not hold stands open above; all that holds is hundreds of rows
    return Table(
        id_, caption, tuple(columns), tuple(tuple(cells) for _, _, cells in rows), folded=not with_table
    )
