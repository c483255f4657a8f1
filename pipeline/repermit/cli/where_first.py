"""`repermit where-first`: in which order to look for a fault, by what the tester shows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from repermit.cli.options import Asked, Format, question
from repermit.cli.talk import say, wrapped

if TYPE_CHECKING:
    from repermit.studies.location.where_first import Search, Searches

Positions = Annotated[
    int | None,
    typer.Option("--positions", help="The trailer's; else the commonest of its system.", min=1, max=12),
]
Indicated = Annotated[
    str | None,
    typer.Option(
        "--indicated", help="What the tester shows: a position, all_pass, several, none_pass, or ground."
    ),
]


@question(("end", "system"))
def where_first(
    asked: Asked,
    indicated: Indicated = None,
    positions: Positions = None,
    shop: Annotated[
        str | None, typer.Option("--shop", help="The kinds of trailers that this shop sees most.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write the check card to print on one sheet (HTML).")
    ] = None,
) -> None:
    """Where to look first: the quickest order of checks. With the least expected minutes; as a card for the bench."""
    from repermit.cli.show import write
    from repermit.studies.location.where_first import where_first as ask
    from repermit.wording import words

    with asked.opened() as con:
        selection = replace(asked, shop=shop).select(con)
        result = ask(con, asked.store.name, selection, positions=positions, indicated=indicated)
    if out:
        from repermit_reports.pages.where_first import card_page
        from repermit_reports.render import write as write_page

        page = card_page(result)
        if page.sections:
            say(f"{page.sections[0].title}; for other trailers give --system and --positions")
        typer.echo(write_page(page, out))
    elif asked.form is not Format.table:
        found = result.as_rows()
        names = tuple(found[0]) if found else ("system", "indicated_position", "rank")
        minutes = {"source": result.minutes.source, "records": result.minutes.records}
        write(
            asked.form,
            result.about.as_dict() | {"minutes": minutes},
            names,
            [[r[n] for n in names] for r in found],
        )
    elif indicated is None:
        names = ("system", "positions", "tester", "first", "finds", "minutes", "customary", "past")
        write(asked.form, None, names, [_overview(s) for s in result.rows])
        say(
            "minutes: expected to the fault, this order and the customary one; past: findings with this indication"
        )
        for system in dict.fromkeys(s.system for s in result.rows if not s.steps):
            lacking = next(s for s in result.rows if s.system == system and not s.steps)
            say(f"{words(system)}: {lacking.missing()}")
        say(
            "the card of one: repermit where-first --system five_wire --indicated 3; to print: --out card.html"
        )
    else:
        for search in result.rows:
            _card(result, search)


def _overview(s: Search) -> tuple[object, ...]:
    first = s.steps[0] if s.steps else None
    place = f"{first.check} {first.position or ''}".strip() if first else None
    finds = first.probability if first else None
    return (s.system, s.positions, s.indicated, place, finds, s.expected, s.customary, s.alike)


def _card(result: Searches, s: Search) -> None:
    from repermit.cli.show import WIDTH, as_table
    from repermit.studies.location.where_first import CUSTOMARY
    from repermit.wording import percent, seen, words
    from repermit_reports.pages.words import CAUTIONS

    typer.echo(f"WHERE TO LOOK FIRST: {words(s.system)}, {s.positions} positions")
    typer.echo("A suggestion from past records; who looks decides. First of all:")
    for caution in CAUTIONS:
        typer.echo(wrapped(f"  - {caution}", WIDTH))
    typer.echo("\n" + wrapped(s.sentence(), WIDTH, ""))
    if s.steps:
        names = ("", "check", "position", "finds it in", "found before", "minutes", "minutes so far")
        cells = [
            (
                k.rank,
                words(k.check),
                k.position or "trailer level",
                percent(k.probability),
                f"{k.found} of {s.alike}",
                k.minutes,
                k.expected_minutes,
            )
            for k in s.steps
        ]
        typer.echo("\n" + as_table(names, cells))
        typer.echo(
            "\nFinds it in: from a model of all past findings, tied by the chain rules."
            "\nFound before: with this indication, here."
        )
    typer.echo("\nLast, always: a full function test of every position and of the ground.")
    typer.echo(
        f"Of {seen(s.visits, 'past fault')} with this indication, {s.nothing_found} ended with nothing found."
    )
    source = {
        "checks": f"timed checks ({result.minutes.records})",
        "labour": f"labour by what was found ({result.minutes.records} visits), so only their ratios speak",
    }
    typer.echo(
        f"Minutes: {source.get(result.minutes.source or '', 'not on record; every check is taken to last the same')}."
    )
    typer.echo(wrapped(f"Customary order (common practice): {CUSTOMARY}.", WIDTH, "") + "\n")
