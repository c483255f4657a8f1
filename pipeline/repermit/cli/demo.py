"""`repermit demo`: the sample records to a store and its pages, in a folder of their own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from repermit.cli import options
from repermit.cli.talk import say, tell


def demo(
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the records, the store and the pages.")
    ] = Path("repermit-demo"),
) -> None:
    """Invented sample records, their store and its pages. Prints where they are."""
    import shutil

    from repermit.cli.beside import beside
    from repermit.cli.drawn import begin
    from repermit.cli.pages import write_all
    from repermit.ingest.run import ingest
    from repermit.mapping_file import beside as mapping_beside
    from repermit.mapping_file import load
    from repermit.resources import folder

    beside(_ready_to_validate)
    begin()

    records, store = out / "records", out / "sample.duckdb"
    out.mkdir(parents=True, exist_ok=True)
    say("the sample records are invented; they describe no real trailer, fleet, shop or terminal")
    shutil.copytree(folder("sample_data") / "csv", records, dirs_exist_ok=True)
    for delivery in sorted(p for p in records.iterdir() if p.is_dir()):
        say(f"reading {delivery}")
        file = mapping_beside([delivery])
        told = load(file) if file else None
        result = ingest(store, [delivery], mapping=told, now=options.now(), progress=say)
        say(f"{sum(f.rows for f in result.files)} rows read, {result.waiting} wait in the quarantine")
    say("validating (Great Expectations takes a few seconds to load)")
    pages = out / "pages"
    validation = pages / "validation.html"
    beside(_validate, store.absolute(), validation.absolute()).result()
    written = write_all(store, pages, None, None, 0.0)
    tell(f"store: {store}")
    tell(f"validation page: {validation}")
    for path in written:
        tell(f"{path.stem.split('-')[0]} page: {path}")
    tell(f"start here: {written[-1]}")


def _ready_to_validate() -> None:
    """Great Expectations takes seconds to load: as long as the sample takes to read."""
    import repermit.validate.engine  # noqa: F401


def _validate(store: Path, page: Path) -> None:
    from repermit.validate.run import validate
    from repermit_reports.pages.validation import validation_page
    from repermit_reports.render import write

    write(validation_page(validate(store, now=options.now(), progress=say)), page)
