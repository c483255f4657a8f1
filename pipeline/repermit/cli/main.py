"""The program: gathers the commands, and turns every error into a plain message and an exit code."""

from __future__ import annotations

import sys
import traceback
from errno import ENOSPC
from typing import Annotated

import typer
from typer.exceptions import TyperException

from repermit.cli import (
    chart,
    contract,
    demo,
    episode,
    fixes,
    ingest,
    interrupts,
    lanes,
    life,
    located,
    outlook,
    quarantine,
    rates,
    report,
    trend,
    validate,
    where_first,
)
from repermit.cli.talk import say
from repermit.errors import INTERRUPTED, NOT_READ, OURS, CallError, RepermitError, StoreError

app = typer.Typer(
    name="repermit",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        from repermit import __version__

        typer.echo(f"repermit {__version__}")
        raise typer.Exit


@app.callback()
def program(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Which faults stop a tank trailer from loading, where they sit, and whether the repair held.

    CSV records in, rates and pages out. Start with: repermit demo
    """


app.command("demo")(demo.demo)
app.command("contract")(contract.contract)
app.command("ingest")(ingest.ingest)
app.command("quarantine")(quarantine.quarantine)
app.command("validate")(validate.validate)
app.command("rates")(rates.rates)
app.command("fixes")(fixes.fixes)
app.command("life")(life.life)
app.command("trend")(trend.trend)
app.command("outlook")(outlook.outlook)
app.command("located")(located.located)
app.command("lanes")(lanes.lanes)
app.command("where-first")(where_first.where_first)
app.command("episode")(episode.episode)
app.command("chart")(chart.chart)
app.add_typer(report.app, name="report")


def _call() -> int:
    """Do what the words of the call say; the exit code. Raises CallError where they make no sense."""
    try:
        return app(prog_name="repermit", standalone_mode=False) or 0
    except TyperException as error:
        told = error.format_message()
        if told.startswith("Usage:"):  # nothing was asked for: this is the help
            typer.echo(told, err=True)
            return CallError.exit_code
        context = getattr(error, "ctx", None)
        path = context.command_path if context else "repermit"
        raise CallError(told[:1].lower() + told[1:].rstrip("."), hint=f"See: {path} --help") from error


def run() -> None:
    """Run a command and leave with its exit code. Never shows a traceback."""
    try:
        sys.exit(_call())
    except RepermitError as error:
        say(error.what, lead="error")
        if error.hint:
            say(f"  {error.hint}")
        sys.exit(error.exit_code)
    except SystemExit as ended:
        if isinstance(ended.__context__, BrokenPipeError):  # typer ends with 1; nobody is left to tell
            sys.exit(NOT_READ)
        raise
    except Exception as error:
        if interrupts.came():
            sys.exit(INTERRUPTED)
        if isinstance(error, OSError) and (error.filename is not None or error.errno == ENOSPC):
            say(f"{error.filename or 'standard output'}: {error.strerror}", lead="error")
            say("  Check the path, its rights and the free space of its disk.")
            sys.exit(StoreError.exit_code)
        where = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{where.filename.rsplit('repermit', 1)[-1].lstrip('/')}:{where.lineno}"
        first = (str(error).splitlines() or [""])[0]
        say(f"a defect in repermit: {type(error).__name__} at {place}: {first}", lead="error")
        say("  Please report this line and the command that was run. The store is as it was.")
        sys.exit(OURS)
