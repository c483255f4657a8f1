"""`repermit quarantine`: what was set aside and why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from repermit.cli.options import DEFAULT_STORE, As, AsOf, Format, Store, Wait, asking, say


def quarantine(
    store: Store = DEFAULT_STORE,
    out: Annotated[Path | None, typer.Option("--out", help="Write the rows as CSV to this file.")] = None,
    as_of: AsOf = None,
    form: As = Format.table,
    wait: Wait = 0.0,
) -> None:
    """What was set aside and why; with --out, as CSV to be mended."""
    from repermit.cli.show import as_csv, write
    from repermit.errors import StoreError
    from repermit.studies.quarantine import by_reason, set_aside

    with asking(store, wait, as_of) as con:
        rows, reasons = set_aside(con), by_reason(con)
    names = ("table", "file", "line", "reasons", "nearest", "raw")
    cells = [(r.table, r.file, r.line, "; ".join(r.reasons), r.nearest, r.raw) for r in rows]
    if out is not None:
        try:
            out.write_text(as_csv(names, cells), encoding="utf-8")
        except OSError as error:
            raise StoreError(
                f"{out} cannot be written: {error.strerror}", hint="Check the folder."
            ) from error
        say(f"{len(rows)} rows written to {out}")
    elif form is Format.table:
        if not rows:
            say("nothing waits in the quarantine")
            return
        write(
            form,
            None,
            ("table", "rows", "reason", "what it means"),
            [(r.table, r.rows, r.reason, r.text) for r in reasons],
        )
        say(
            f"{len(rows)} rows wait; a row may have several reasons. The rows themselves: --format csv, or --out FILE"
        )
    else:
        write(form, {"store": str(store)}, names, cells)
