"""What a question is asked of: a window of days, and filters by fleet, system, terminal and shop.

May import `errors` and `warehouse`.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from repermit.errors import CallError
from repermit.warehouse import Connection, once, records, rows

FILTERS = {
    "fleet": "select distinct fleet from staging.trailers where fleet is not null order by 1",
    "system": "select distinct system from staging.trailers where system is not null order by 1",
    "terminal": "select distinct terminal from (select terminal from staging.refusals union all select terminal"
    " from marts.loads_by_lane_month) where terminal is not null order by 1",
    "shop": "select distinct shop from (select home_shop as shop from staging.trailers union all select shop"
    " from staging.repairs) where shop is not null order by 1",
}


@dataclass(frozen=True)
class Window:
    """Days from `first` to before `end`, each from 00:00 UTC."""

    first: date
    end: date

    @property
    def days(self) -> int:
        """How many days it has."""
        return (self.end - self.first).days

    def __str__(self) -> str:
        return f"{self.first} to {self.end - timedelta(days=1)}"


@dataclass(frozen=True)
class Selection:
    """A window and the filters; None = all."""

    window: Window
    fleet: str | None = None
    system: str | None = None
    terminal: str | None = None
    shop: str | None = None

    def parameters(self, sql: str) -> dict[str, object]:
        """The values of those of $first, $end, $fleet, $system, $terminal, $shop that the SQL names."""
        values: dict[str, object] = {
            "first": self.window.first,
            "end": self.window.end,
            "fleet": self.fleet,
            "system": self.system,
            "terminal": self.terminal,
            "shop": self.shop,
        }
        return {name: value for name, value in values.items() if f"${name}" in sql}


def of_own(con: Connection, sql: str, selection: Selection, kind: str) -> list[dict[str, Any]]:
    """The rows of the selection's fleet, terminal or shop, from a query of all that names each one's in a column `kind`."""
    anyone: dict[str, Any] = {kind: None}
    found = _by_name(con, sql, replace(selection, **anyone), kind)
    return [dict(row) for row in found.get(getattr(selection, kind), ())]


def of_fleet(con: Connection, sql: str, selection: Selection) -> list[dict[str, Any]]:
    """The rows of the selection's fleet, from a query of all that names each one's in a column `fleet`."""
    return of_own(con, sql, selection, "fleet")


@once
def _by_name(
    con: Connection, sql: str, selection: Selection, kind: str
) -> dict[str | None, list[dict[str, Any]]]:
    found: dict[str | None, list[dict[str, Any]]] = {}
    for row in records(con, sql, selection.parameters(sql)):
        found.setdefault(row.pop(kind), []).append(row)
    return found


def parse_month(text: str) -> Window:
    """The window of a month written YYYY-MM. Raises CallError."""
    try:
        first = datetime.strptime(text, "%Y-%m").replace(tzinfo=UTC).date()
        return Window(first, (first.replace(day=28) + timedelta(days=4)).replace(day=1))
    except (ValueError, OverflowError):
        raise CallError(f"{text!r} is no month", hint="Write it as YYYY-MM, for example 2025-03.") from None


def parse_day(text: str) -> date:
    """A day written YYYY-MM-DD. Raises CallError."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise CallError(
            f"{text!r} is no date", hint="Write it as YYYY-MM-DD, for example 2025-03-01."
        ) from None


@once
def covered(con: Connection) -> Window | None:
    """The days covered by both loads and refusals (by those that exist, else by the repairs)."""
    found = {source: (first, last) for source, first, last, n in rows(con, "from marts.coverage") if n}
    used = [found[source] for source in ("loads", "refusals") if source in found] or list(found.values())
    if not used:
        return None
    first, last = max(f for f, _ in used), min(last for _, last in used)
    return Window(first, last + timedelta(days=1)) if first <= last else None


def last_complete_month(con: Connection) -> Window | None:
    """The last month that the records cover to its end."""
    whole = covered(con)
    if whole is None:
        return None
    month = parse_month(f"{whole.end:%Y-%m}")
    return parse_month(f"{month.first - timedelta(days=1):%Y-%m}")


def select(
    con: Connection,
    *,
    first: str | None = None,
    end: str | None = None,
    month: str | None = None,
    fleet: str | None = None,
    system: str | None = None,
    terminal: str | None = None,
    shop: str | None = None,
) -> Selection:
    """Check what was asked for against the store. Raises CallError with what there is instead."""
    if month is not None and (first or end):
        raise CallError("--month was given with --from or --to", hint="Give one or the other.")
    chosen = {"fleet": fleet, "system": system, "terminal": terminal, "shop": shop}
    for name, value in chosen.items():
        if value is not None:
            _check(con, name, value)
    window = parse_month(month) if month is not None else _window(con, first, end)
    return Selection(window, **chosen)


def _window(con: Connection, first: str | None, end: str | None) -> Window:
    whole = covered(con)
    starts = parse_day(first) if first else whole.first if whole else None
    ends = parse_day(end) if end else whole.end if whole else None
    if starts is None or ends is None:
        raise CallError(
            "the records of this store do not say which days they cover",
            hint="Give --from and --to, or ingest loads and refusals.",
        )
    if starts >= ends:
        raise CallError(
            f"the window {starts} to {ends} is empty",
            hint="Give a --to after the --from; --from is included, --to is not.",
        )
    return Window(starts, ends)


def on_record(con: Connection, window: Window) -> bool:
    """Whether the records cover any day of the window; where they don't, no faults seen means nothing."""
    whole = covered(con)
    return whole is not None and window.first < whole.end and whole.first < window.end


@once
def known(con: Connection, name: str) -> list[str]:
    """The fleets, systems, terminals or shops on record."""
    return [value for (value,) in rows(con, FILTERS[name])]


def _check(con: Connection, name: str, value: str) -> None:
    there = known(con, name)
    if value in there:
        return
    near = difflib.get_close_matches(value, there, 1, cutoff=0.5)
    hint = f"Did you mean {near[0]!r}? " if near else ""
    raise CallError(f"there is no {name} {value!r}", hint=f"{hint}Known: {_told(there)}.")


def not_named(con: Connection, name: str) -> CallError:
    """The error of a call that has to name a fleet, shop or terminal and does not."""
    return CallError(f"no {name} was named", hint=f"Give --{name} NAME; known: {_told(known(con, name))}.")


def _told(names: list[str]) -> str:
    return (", ".join(names[:12]) + (" and more" if len(names) > 12 else "")) or "none"
