"""`repermit located`: where faults were found, of what the tester named."""

from __future__ import annotations

from dataclasses import asdict

import typer

from repermit.cli.options import Asked, Format, question
from repermit.cli.talk import say


@question()
def located(
    asked: Asked,
) -> None:
    """Found against indicated: where the fault really was. When the tester named a position; and whether shops look."""
    from repermit.cli.show import as_table, write
    from repermit.studies.location.located import Agreeing, Found
    from repermit.studies.location.located import located as ask
    from repermit.wording import whole

    with asked.opened() as con:
        selection = asked.select(con)
        result = ask(con, asked.store.name, selection)
    names = tuple(Found.__dataclass_fields__)
    about = result.about.as_dict() | {
        "sentence": result.sentence(),
        "agreement": [asdict(a) | {"sentence": a.sentence()} for a in result.agreement],
        "not_indicated": result.not_indicated,
        "not_recorded": result.not_recorded,
    }
    write(asked.form, about, names, [[getattr(row, n) for n in names] for row in result.rows])
    if asked.form is not Format.table:
        return
    shown = tuple(n for n in Agreeing.__dataclass_fields__ if n != "key")
    typer.echo()
    typer.echo(
        as_table(shown, [[a.name or a.key, *(getattr(a, n) for n in shown[1:])] for a in result.agreement])
    )
    say(
        f"{selection.window}; left out: {whole(result.not_indicated)} visits in which the tester named no position,"
        f" {whole(result.not_recorded)} with no finding on record"
    )
    for sentence in result.sentences():
        say(sentence)
