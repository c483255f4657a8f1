"""What the store tells for one page: the results of its studies, without a connection."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from repermit.reports_made import Report
    from repermit.studies.frequency.silent import Silent
    from repermit.studies.records.reported import Since
    from repermit.studies.selection import Window
    from repermit.warehouse import Connection


@dataclass(frozen=True)
class Told:
    """All that a page is made from. `result` is its reader's; `clocks`: what is wrong with the clock of whom it is about.

    `since`: what changed since the report before it. `then`: what was known, where it tells of then. `report`: what is
    to be written down, but for the headline, which the page finds.
    """

    kind: str
    result: Any
    silent: Silent | None
    clocks: tuple[str, ...]
    since: Since
    then: str | None
    report: Report


def ask(con: Connection, store: str, kind: str, name: str | None, month: Window) -> Told:
    """Ask for the page of one kind about one name, with `month` as its last.

    Raises CallError for a fleet, shop or terminal not there.
    """
    from repermit.as_of import asked_for
    from repermit.studies.frequency.silent import silent
    from repermit.studies.records.clocks import clock_errors
    from repermit.studies.records.reported import report_of, since
    from repermit.studies.selection import select

    about = {kind: name} if kind in ("fleet", "shop") else {}
    asked = select(con, month=f"{month.first:%Y-%m}", **about)
    errors = clock_errors(con) if kind in ("shop", "terminal") else ()
    return Told(
        kind,
        _result(con, store, kind, name, month),
        silent(con, store, asked) if kind != "terminal" else None,
        tuple(e.sentence for e in errors if (e.place, e.name) == (kind, name)),
        since(con, kind, name, month),
        asked_for(con),
        report_of(con, kind, name, month, ""),
    )


def _result(con: Connection, store: str, kind: str, name: str | None, month: Window) -> Any:
    from repermit.studies.selection import select

    last = f"{month.first:%Y-%m}"
    if kind == "monthly":
        from repermit.studies.readers.monthly import monthly

        return monthly(con, store, select(con, month=last))
    if kind == "fleet":
        from repermit.studies.readers.fleet import fleet_record, year_to

        chosen = select(con, month=last, fleet=name)
        return fleet_record(con, store, replace(chosen, window=year_to(con, month)))
    if kind == "shop":
        from repermit.studies.readers.shop import shop_record

        return shop_record(con, store, select(con, month=last, shop=name))
    from repermit.studies.readers.terminal import terminal

    return terminal(con, store, select(con, month=last, terminal=name))
