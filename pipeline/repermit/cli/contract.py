"""`repermit contract`: the input tables as text, JSON, or empty CSV files; or a drafted mapping."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from repermit.cli.talk import say, tell


class ContractFormat(StrEnum):
    """How the contract is written."""

    text = "text"
    json = "json"
    csv = "csv"
    markdown = "markdown"


def contract(
    form: Annotated[
        ContractFormat, typer.Option("--format", help="csv: one empty file a table.")
    ] = ContractFormat.text,
    out: Annotated[Path, typer.Option("--out", help="Folder for the CSV files.")] = Path("."),
    draft_mapping: Annotated[
        Path | None,
        typer.Option("--draft-mapping", help="An export: writes a first mapping for it, to be confirmed."),
    ] = None,
) -> None:
    """The input tables: columns, kinds, rules. Or a first mapping of an export to them."""
    from repermit.cli.show import as_json
    from repermit.contract import TABLES
    from repermit.contract_text import as_dict, markdown, text

    if draft_mapping is not None:
        from repermit.draft import draft

        typer.echo(draft(draft_mapping), nl=False)
    elif form is ContractFormat.json:
        typer.echo(as_json({"tables": [as_dict(t) for t in TABLES]}))
    elif form is ContractFormat.csv:
        out.mkdir(parents=True, exist_ok=True)
        for table in TABLES:
            target = out / f"{table.name}.csv"
            if target.exists():
                say(f"kept {target}, which is there already")
                continue
            target.write_text(",".join(c.name for c in table.columns) + "\n", encoding="utf-8")
            tell(target)
    else:
        write = markdown if form is ContractFormat.markdown else text
        typer.echo("\n\n".join(write(t) for t in TABLES))
