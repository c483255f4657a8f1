"""`repermit quarantine`: what was set aside and why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from repermit.cli.options import Asked, Format, question
from repermit.cli.talk import say


@question(())
def quarantine(
    asked: Asked,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write the rows as CSV, to be mended and ingested again.")
    ] = None,
    gone: Annotated[bool, typer.Option("--left", help="What left it: when, and as what.")] = False,
) -> None:
    """What was set aside and why. With --out, as CSV to be mended and ingested again."""
    from repermit.cli.show import as_csv, write
    from repermit.errors import StoreError
    from repermit.studies.records.quarantine import by_reason, left, set_aside, to_mend

    if gone:
        with asked.opened() as con:
            went = left(con)
        columns = ("table", "file", "line", "came_in", "left_in", "left_on", "left_as", "by", "raw")
        shown = columns if asked.form is not Format.table else columns[:-1]
        write(
            asked.form,
            {"store": str(asked.store)},
            shown,
            [[getattr(r, name) for name in shown] for r in went],
        )
        return
    with asked.opened() as con:
        rows, reasons = set_aside(con), by_reason(con)
    names = ("table", "file", "line", "reasons", "nearest", "raw")
    cells = [(r.table, r.file, r.line, "; ".join(r.reasons), r.nearest, r.raw) for r in rows]
    if out is not None:
        try:
            # the mark tells a spreadsheet that this is UTF-8
            out.write_text(as_csv(*to_mend(rows)), encoding="utf-8-sig", newline="")
        except OSError as error:
            raise StoreError(
                f"{out} cannot be written: {error.strerror}",
                hint=f"Give a file, such as {out / 'mend.csv'}." if out.is_dir() else "Check the folder.",
            ) from error
        say(
            f"{len(rows)} rows written to {out}; mend their cells (or write yes under drop beside what is no record)"
            " and ingest it: rows left as they are go on waiting"
        )
    elif asked.form is Format.table:
        if not rows:
            say("nothing waits in the quarantine")
            return
        write(
            asked.form,
            None,
            ("table", "rows", "reason", "what it means"),
            [(r.table, r.rows, r.reason, r.text) for r in reasons],
        )
        say(
            f"{len(rows)} rows wait; a row may have several reasons. The rows themselves: --format csv, or --out FILE"
        )
    else:
        write(asked.form, {"store": str(asked.store)}, names, cells)
