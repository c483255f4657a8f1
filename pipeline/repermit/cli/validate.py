"""`repermit validate`: the store's integrity and every expectation, and a page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from repermit.cli import options
from repermit.cli.options import DEFAULT_STORE, As, Format, Store, Wait
from repermit.cli.talk import say


def validate(
    store: Store = DEFAULT_STORE,
    out: Annotated[Path, typer.Option("--out", help="The page to write.")] = Path("validation.html"),
    form: As = Format.table,
    wait: Wait = 0.0,
) -> None:
    """Check the store against every expectation. Writes a page of the results."""
    from repermit.cli.show import write
    from repermit.studies.records.clocks import clock_errors
    from repermit.validate.run import validate as run
    from repermit_reports.pages.validation import validation_page
    from repermit_reports.render import write as write_page

    result = run(store, now=options.now(), wait_s=wait, progress=say)
    names = ("table", "scope", "name", "blocks", "holds", "checked", "unexpected", "quarantined")
    told = result.outcomes if form is not Format.table else (*result.failed, *result.advisory)
    write(
        form,
        {"store": result.store, "run": result.run_id},
        names,
        [[getattr(o, n) for n in names] for o in told],
    )
    with options.asking(store, wait) as con:
        clocks = clock_errors(con)
    write_page(validation_page(result, clocks), out)
    for error in clocks:
        say(error.sentence)
    say(
        f"{len(result.outcomes)} expectations, {len(result.failed)} blocking and {len(result.advisory)} advisory do not hold"
    )
    say(f"page: {out}")
    if result.failed:
        raise typer.Exit(1)
