"""Sentences that several pages share: cautions, data used. May import the wording of values and `page`."""

from __future__ import annotations

from repermit.studies.about import HAS, About
from repermit.studies.readers.monthly import FileRow
from repermit.studies.records.quarantine import Reason
from repermit.wording import seen, whole
from repermit_reports.page import Column, Table

CAUTIONS = (
    "Statistics suggest where to look. Local code, the site's permit and licensed, competent people decide.",
    "First confirm that the compartment is not over-full. Never bypass, jumper or simulate a sensor in order to load.",
    "Treat a tank as holding flammable vapour until it is tested free, whatever was in it last; test again after any pause.",
    "No flame, heat gun or live connector in the hazardous area; isolate first. Bond and ground first. Meters and testers certified for the area.",
    "Work at height and entry only under the site's rules.",
    "Swap only sensors of the same type and length; afterwards verify the height against the trailer's level record and wet-test.",
    "One fault found does not end the search. Remove every tester lead and temporary dummy; refit caps and seals.",
    "A tester's permit is not a rack's: after any repair, a full function test of every position and of the ground before loading; ask the competent inspector whether the work touched tank closure or vapour tightness.",
)

ONLY_WHAT_STOPS = "Refusals reveal only the failures that stop loading. A sensor stuck dry never refuses; only a wet test shows it."


def records_give(about: About) -> str:
    """One line on which records there are, and so what the page can say."""
    has = [f"{name} (for {gives})" for name, gives in HAS.items() if about.records_give[name]]
    lacks = [f"{name} (for {gives})" for name, gives in HAS.items() if not about.records_give[name]]
    line = "The store has " + (", ".join(has) if has else "visits only")
    return line + (f"; it lacks {', '.join(lacks)}." if lacks else ".")


def files_table(files: tuple[FileRow, ...]) -> Table:
    """The files that the store has read, with what became of their rows."""
    return Table(
        "files",
        "Files read; rows = accepted + duplicate + corrected + quarantined",
        (
            Column("file", "file"),
            Column("table", "table"),
            *(
                Column(n, n, kind="integer")
                for n in ("rows", "accepted", "duplicate", "corrected", "quarantined")
            ),
        ),
        tuple((f.file, f.table, f.rows, f.accepted, f.duplicate, f.corrected, f.quarantined) for f in files),
    )


def files_sentence(files: tuple[FileRow, ...]) -> str:
    """All files together, and that no row is lost on the way."""
    of = {
        n: sum(getattr(f, n) for f in files)
        for n in ("rows", "accepted", "duplicate", "corrected", "quarantined")
    }
    parts = [
        f"{whole(of[n])} {name}"
        for n, name in (
            ("accepted", "accepted"),
            ("duplicate", "read before"),
            ("corrected", "corrections of earlier ones"),
            ("quarantined", "set aside at first"),
        )
        if of[n]
    ]
    return f"Of {seen(of['rows'], 'row')} in {seen(len(files), 'file')} every one ended as one of these: {', '.join(parts)}."


def files_line(files: tuple[FileRow, ...]) -> str:
    """The files that the store has read, in one line; the monthly page has the table."""
    read, aside = sum(f.rows for f in files), sum(f.quarantined for f in files)
    return f"Read from {seen(len(files), 'file')}: {seen(read, 'row')}, {whole(aside)} of them set aside at first; the monthly page tells which."


def reasons_table(reasons: tuple[Reason, ...]) -> Table:
    """What waits in the quarantine, by reason."""
    return Table(
        "set-aside",
        "Rows set aside, by reason; a row may have several",
        (
            Column("table", "table"),
            Column("reason", "what these rows do not meet"),
            Column("rows", "rows", kind="integer"),
        ),
        tuple((r.table, r.rule, r.rows) for r in reasons),
    )


_COUNTED = (("loads", "load"), ("refusals", "refusal"), ("visits", "shop visit"))


def data_sentence(about: About) -> str:
    """Which store and window, and how much is in it."""
    c = about.counts
    then = (
        f" As known after ingest {about.ingest} (asked for: {about.as_of}); what came later is left out."
        if about.as_of
        else ""
    )
    return (
        f"Store {about.store}, data {about.fingerprint}. Window {about.first} to before {about.end} (days from 00:00 UTC); of all fleets, shops and terminals in it: "
        f"{', '.join(seen(c[n], one).replace(' seen', '') for n, one in _COUNTED)}; {seen(c['trailers'], 'trailer')} on record. "
        f"{whole(c['quarantined'])} rows wait in the quarantine and are in no figure.{then}"
    )
