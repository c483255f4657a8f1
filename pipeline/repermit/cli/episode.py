"""`repermit episode`: one episode explained."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from repermit.cli.options import Asked, Format, question
from repermit.cli.talk import shown, wrapped


@question(())
def episode(
    asked: Asked,
    name: Annotated[str, typer.Argument(metavar="ID", help="An episode, a refusal or a repair.")],
) -> None:
    """One episode: its refusals and visits. And the rule that joined each."""
    from repermit.cli.show import WIDTH, as_json, as_table, write
    from repermit.studies.records.episode import explain

    with asked.opened() as con:
        found = explain(con, asked.store.name, name)
    if asked.form is Format.json:
        typer.echo(
            as_json(
                {
                    "about": {"store": asked.store.name},
                    "rows": [asdict(e) | {"sentence": e.sentence()} for e in found],
                }
            )
        )
        return
    names = ("part", "id", "at", "says", "because")
    for e in found:
        rows = [[getattr(p, n) for n in names] for p in e.parts]
        if asked.form is Format.csv:
            write(asked.form, None, names, rows)
            continue
        where = f", {e.terminal} lane {e.lane}" if e.terminal else ""
        head = f"{e.episode_id}: trailer {e.trailer_id}, {e.started_at}{where}: {e.sentence()}"
        typer.echo(wrapped(shown(head), WIDTH))
        typer.echo(as_table(names[:4], [row[:4] for row in rows]))
        for p in e.parts:
            typer.echo(wrapped(shown(f"  {p.id}: {p.because}"), WIDTH))
        if e.rack_side is not None:
            typer.echo(wrapped(f"  {e.rack_side.sentence()}", WIDTH))
