"""`repermit ingest`: CSV files and folders into the store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from repermit.cli import options
from repermit.cli.options import DEFAULT_STORE, As, Format, Store, Wait
from repermit.cli.talk import say, watched
from repermit.wording import whole


def ingest(
    paths: Annotated[
        list[Path] | None, typer.Argument(help="CSV files (also .csv.gz) and folders.", show_default=False)
    ] = None,
    store: Store = DEFAULT_STORE,
    mapping: Annotated[
        Path | None,
        typer.Option(
            "--mapping", help="How your exports fill the tables (TOML); else repermit.toml beside them."
        ),
    ] = None,
    form: As = Format.table,
    wait: Wait = 0.0,
) -> None:
    """CSV files and folders into the store. Prints what became of every row."""
    from repermit.cli.show import write
    from repermit.ingest.pace import Pace
    from repermit.ingest.run import ingest as run
    from repermit.mapping_file import beside, load
    from repermit.studies.records.clocks import ClockError, clock_errors

    paths = paths or []
    if (file := mapping or beside(paths)) is not None:
        say(f"reading as {file} says")
    told = load(file) if file else None
    clocks: list[ClockError] = []
    with watched(pace := Pace()):
        result = run(
            store,
            paths,
            mapping=told,
            now=options.now(),
            wait_s=wait,
            progress=say,
            pace=pace,
            ask=lambda con: clocks.extend(clock_errors(con)),
        )
    for line in (*result.told, *result.notes):
        say(line)
    names = ("file", "table", "rows", "accepted", "duplicate", "corrected", "quarantined")
    write(
        form,
        {"store": str(store), "ingest": result.ingest},
        names,
        [[getattr(f, n) for n in names] for f in result.files],
    )
    again = sum(f.read_before for f in result.files)
    if again:
        files = len(result.files)
        which = "what was given" if again == files else f"{again} of the {files} files"
        say(f"{which} had been read before; all its rows count as duplicates")
    if result.fell:
        say(f"{whole(result.fell)} rows accepted earlier now fail a rule and wait in the quarantine")
    if result.left_waiting:
        say(f"{whole(result.left_waiting)} rows left the quarantine")
    if result.waiting:
        say(f"{whole(result.waiting)} rows wait in the quarantine; see why with: repermit quarantine")
    if result.changed:
        for error in clocks:
            say(error.sentence)
        say(
            f"this was ingest {result.ingest}; what is known after it can be asked with: --as-of {result.ingest}"
        )
    else:
        say("nothing new: the store is as it was")
