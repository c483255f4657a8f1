"""Month by month: which are a signal, has the level shifted for good, and since when; per load and per day.

Marts in, `Months` out. May import `statistics`, `warehouse`, `wording` and its neighbours. Each month is judged by
the months before it on record, also those before the window, so that a verdict stays what it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from repermit.studies.about import About, about
from repermit.studies.frequency.rates import Rate, rates
from repermit.studies.selection import Selection, Window, covered, parse_month
from repermit.warehouse import Connection, settings_of
from repermit.wording import estimate, interval, number, seen, whole

SIGNALS = {1: "high", 0: "none", -1: "low"}
SCALE = 1000.0
"""Rates are told per so many loads, and per so many days."""


@dataclass(frozen=True)
class Judged:
    """One month on one clock, rates per 1,000. `signal`: high, low or none; None with `why_not` where not judged."""

    rate: float | None = None
    centre: float | None = None
    low: float | None = None
    high: float | None = None
    signal: str | None = None
    season_out: bool = False
    why_not: str | None = None


@dataclass(frozen=True)
class MonthShift:
    """The level changed for good: the months in which it began and was shown, and how many times the rate before."""

    began: str
    shown: str
    ratio: float
    low: float
    high: float

    @property
    def direction(self) -> str:
        """Whether faults became more (up) or fewer (down)."""
        return "up" if self.ratio > 1 else "down"


@dataclass(frozen=True)
class MonthJudged:
    """One month of the window: its counts, and what each clock says; None where the clock has no records."""

    month: str
    faults: int
    loads: int | None
    days: float | None
    by_loads: Judged | None
    by_days: Judged | None


@dataclass(frozen=True)
class Months:
    """The months of the window in order, and the shifts on each clock, those from before the window with them."""

    about: About
    rows: tuple[MonthJudged, ...]
    shifts_by_loads: tuple[MonthShift, ...]
    shifts_by_days: tuple[MonthShift, ...]

    @property
    def clock(self) -> str:
        """The clock that pages speak of: loads where they are on record."""
        return "loads" if any(row.by_loads for row in self.rows) else "days"

    def judged(self, row: MonthJudged) -> Judged | None:
        """What the clock of the page says of a month."""
        return row.by_loads if self.clock == "loads" else row.by_days

    def signal_of(self, row: MonthJudged) -> str | None:
        """Its signal on the clock of the page; None where it is not judged."""
        judged = self.judged(row)
        return judged.signal if judged else None

    @property
    def shifts(self) -> tuple[MonthShift, ...]:
        """The shifts on the clock of the page."""
        return self.shifts_by_loads if self.clock == "loads" else self.shifts_by_days

    @property
    def sentence(self) -> str:
        """The last month that is judged, and the last lasting shift, in words."""
        if not self.rows:
            return "There is no month to judge."
        last = next((row for row in reversed(self.rows) if self.signal_of(row)), self.rows[-1])
        return f"{month_sentence(self, last)} {shift_sentence(self)}"

    def as_dicts(self) -> list[dict[str, Any]]:
        """The fields that the rows of `rates` by month carry, in their order."""
        found = []
        for row in self.rows:
            fields: dict[str, Any] = {}
            for per, judged, shifts in (
                ("loads", row.by_loads, self.shifts_by_loads),
                ("days", row.by_days, self.shifts_by_days),
            ):
                end = "" if per == "loads" else "_days"
                j = judged or Judged()
                began = next((s for s in shifts if s.began == row.month), None)
                fields |= {
                    f"signal{end}": j.signal,
                    f"centre_per_1000_{per}": j.centre,
                    f"limit_low_per_1000_{per}": j.low,
                    f"limit_high_per_1000_{per}": j.high,
                    f"shift{end}": began.direction if began else None,
                    f"shift{end}_ratio": began.ratio if began else None,
                    f"shift{end}_ratio_low": began.low if began else None,
                    f"shift{end}_ratio_high": began.high if began else None,
                }
            found.append(fields)
        return found


def months(con: Connection, store: str, selection: Selection) -> Months:
    """Judge the months of the selection's window; its filters choose whose faults and exposure."""
    window = selection.window
    recorded = covered(con)
    first = min(recorded.first.replace(day=1), window.first) if recorded else window.first
    history = Selection(
        Window(first, window.end), selection.fleet, selection.system, selection.terminal, selection.shop
    )
    found = [row for row in rates(con, store, history, ("month",)).rows if row.keys["month"]]
    within = [_whole(row, recorded, window.end) for row in found]
    level = settings_of(con).level
    by_loads, loads_shifts = _clock(found, within, [row.loads for row in found], level)
    by_days, days_shifts = _clock(found, within, [row.days for row in found], level)
    cut = parse_month(f"{window.first:%Y-%m}").first < window.first
    rows = tuple(
        MonthJudged(
            row.keys["month"],
            int(row.faults),
            row.loads,
            row.days,
            *(_partly(j, cut and i == 0) for j in (a, b)),
        )
        for i, (row, a, b) in enumerate(
            (row, a, b)
            for row, a, b in zip(found, by_loads, by_days, strict=True)
            if row.keys["month"] >= f"{window.first:%Y-%m}"
        )
    )
    return Months(about(con, store, selection), rows, loads_shifts, days_shifts)


def _partly(judged: Judged | None, cut: bool) -> Judged | None:
    return Judged(why_not="the window begins inside it") if judged and cut else judged


def _whole(row: Rate, recorded: Window | None, end: date) -> bool:
    """Whether records cover the month, and the window takes it in, to its end."""
    month = parse_month(row.keys["month"])
    return bool(recorded and recorded.first <= month.first and month.end <= min(recorded.end, end))


def _clock(
    rows: list[Rate], within: list[bool], exposure: list[int | None] | list[float | None], level: float
) -> tuple[list[Judged | None], tuple[MonthShift, ...]]:
    """Every month on one clock; None for all where the clock has no records."""
    from repermit.statistics.control import LEAST_BEFORE, LEAST_SINCE_SHIFT, watch

    if not rows or exposure[0] is None:
        return [None] * len(rows), ()
    used = [i for i, there in enumerate(within) if there]
    amounts = [float(exposure[i] or 0) / SCALE for i in used]
    names = [rows[i].keys["month"] for i in used]
    found = watch([rows[i].faults for i in used], amounts, [int(n[5:]) - 1 for n in names], level=level)
    judged: list[Judged | None] = [Judged(why_not="records do not cover it whole")] * len(rows)
    for at, i in enumerate(used):
        rate = rows[i].faults / amounts[at] if amounts[at] else None
        if not found.judged[at]:
            few = (
                f"fewer than {LEAST_BEFORE} whole months lie before it, or {LEAST_SINCE_SHIFT} since a shift"
            )
            judged[i] = Judged(rate, why_not="nothing to divide by" if rate is None else few)
            continue
        centre, low, high = (float(values[at]) for values in (found.centre, found.low, found.high))
        signal = SIGNALS[int(found.signal[at])]
        judged[i] = Judged(rate, centre, low, high, signal, bool(found.season_out[at]))
    shifts = tuple(MonthShift(names[s.began], names[s.shown], s.ratio, s.low, s.high) for s in found.shifts)
    return judged, shifts


# --- in words -----------------------------------------------------------------------------------------


def month_sentence(result: Months, row: MonthJudged) -> str:
    """Whether the month is a signal, made from its numbers."""
    judged = result.judged(row)
    had = f"{row.month} had {seen(row.faults, 'fault')}" if row.faults else f"{row.month} had no faults"
    if judged is None or judged.signal is None:
        why = judged.why_not if judged and judged.why_not else "its loads and days are not on record"
        return f"{had}; it can't be judged: {why}."
    assert judged.rate is not None and judged.high is not None
    amount = row.loads if result.clock == "loads" else row.days
    per = f"per 1,000 {result.clock if result.clock == 'loads' else 'trailer-days'}"
    rate = f"{had}, {number(judged.rate)} {per}"
    range_ = f"the {interval(judged.low, judged.high)} that chance brings around {number(judged.centre)}"
    season = (
        "" if judged.season_out else " The season is not taken out: that takes more than 24 months before."
    )
    if judged.signal != "none":
        side = "more" if judged.signal == "high" else "fewer"
        return f"Signal, {side} faults: {rate}, outside {range_}.{season}"
    expected = (judged.centre or 0.0) * float(amount or 0) / SCALE
    if expected < 1:
        needed = int(judged.high * float(amount or 0) / SCALE) + 1
        return f"No signal, but too few to tell: {rate}; only {whole(needed)} faults or more would be one.{season}"
    return f"No signal: {rate}, within {range_}.{season}"


def shift_sentence(result: Months) -> str:
    """The last lasting shift, or that none is shown."""
    if not result.shifts:
        return "No lasting shift of the level is shown."
    last = result.shifts[-1]
    fewer = "fewer" if last.direction == "down" else "more"
    return (
        f"Lasting shift to {fewer} faults since {last.began}: {estimate(last.ratio, last.low, last.high)}"
        f" times the rate before, shown in {last.shown}; a shift that was noticed is somewhat overstated."
    )
