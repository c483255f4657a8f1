"""The head of the monthly page: the headline, and the month in one paragraph made from the results."""

from __future__ import annotations

from repermit.studies.ages.changes import VERDICT_WORDS
from repermit.studies.frequency.months import MonthJudged, month_sentence, shift_sentence
from repermit.studies.frequency.outlook import ALL
from repermit.studies.readers.monthly import Monthly
from repermit.wording import NAMED, estimate, interval, named, number, percent, seen, whole, words
from repermit_reports.pages.monthly.positions import a_rate, per


def headline(m: Monthly) -> str:
    """The number, its interval, and whether it is news."""
    r = m.this_month
    what = seen(r.faults, "fault of a trailer", "faults of trailers")
    rate = a_rate(r)
    line = f"{what[0].upper()}{what[1:]} in {m.month}" + (f", {estimate(*rate)} {per(r)}" if rate else "")
    row = _this(m)
    signal = m.judged.signal_of(row) if row else None
    if signal is None:
        return line + "; whether that is a signal can't be told yet."
    told = {
        "high": ": a signal, more than chance brings.",
        "low": ": a signal, fewer than chance brings.",
        "none": ": no signal.",
    }
    return line + told[signal]


def paragraph(m: Monthly) -> str:
    """Is it news, what leads, what is at odds, what comes next: one sentence each, none without its number."""
    row = _this(m)
    judged = [month_sentence(m.judged, row)] if row else []
    if any(m.judged.signal_of(one) is not None for one in m.judged.rows):
        judged.append(shift_sentence(m.judged))
    told = (
        *judged,
        _leading(m),
        m.trends.total.sentence,
        _lanes(m),
        _lots(m),
        _changes(m),
        _fixes(m),
        _worse(m),
        _next(m),
        _open(m),
    )
    return " ".join(sentence for sentence in told if sentence)


def _this(m: Monthly) -> MonthJudged | None:
    """The month of the page among the months judged."""
    return next((row for row in m.judged.rows if row.month == m.month), None)


def _leading(m: Monthly) -> str:
    found = [c for c in m.causes if c.cause not in (None, "none_found")]
    total = sum(c.faults for c in m.causes)
    if not found:
        return ""
    shared = next((r.faults for r in m.cause_rates.rows if r.keys["cause"] == found[0].cause), None)
    about = (
        f" (with the findings that are not recorded shared out, {seen(shared, 'fault')})"
        if shared and shared != found[0].faults
        else ""
    )
    line = f"Of {seen(total, 'fault')} in {m.year}, {whole(found[0].faults)} were recorded as {words(found[0].cause)}, the cause found most often{about}"
    nothing = next((c.faults for c in m.causes if c.cause == "none_found"), 0)
    return line + (f"; in {whole(nothing)} the shop found no fault." if nothing else ".")


def _lanes(m: Monthly) -> str:
    flagged = [row for row in m.lanes.rows if row.flagged]
    if not flagged:
        return "No lane stands out." if m.lanes.rows else ""
    told = [
        f"lane {row.lane} of {row.terminal} refuses {estimate(row.rate_ratio, row.rate_ratio_low, row.rate_ratio_high)} times"
        for row in flagged[:NAMED]
    ]
    more = len(flagged) - NAMED
    rest = f" {whole(more)} more lanes stand out." if more > 0 else ""
    return f"L{', '.join(told)[1:]} what the same trailers meet elsewhere.{rest}"


def _lots(m: Monthly) -> str:
    """Lots of sensors that stand out."""
    told = [
        f"{lot.key} ({seen(lot.all.failures, 'failure')} of {seen(lot.all.lives, 'sensor')})"
        for lot in m.lots
    ]
    return f"Sensors of lot {named(told)} fail more often than others of their age." if told else ""


def _changes(m: Monthly) -> str:
    """The changes after which faults are more or fewer."""
    told = [
        f"since {row.change} there are {VERDICT_WORDS[row.told.verdict]}, {estimate(row.told.ratio, row.told.low, row.told.high)} times those expected"
        for row in m.changes.rows
        if row.told and row.told.ratio is not None and row.told.verdict in ("fewer", "more")
    ]
    text = named(told, "; ")
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _fixes(m: Monthly) -> str:
    at = next((h for h in m.fixes.total.horizons if h.days == 90), None)
    if at is None or at.risk is None:
        return ""
    risk = estimate(at.risk, at.risk_low, at.risk_high, as_percent=True)
    return f"Of {whole(m.fixes.total.placed)} fixes with a known place {risk} came back within 90 days."


def _worse(m: Monthly) -> str:
    if m.worse is None or m.worse.p is None:
        return ""
    told = [f"{u.key} ({percent(u.worst_tenth)})" for u in m.worse.named]
    return (
        f"Probably among the worst tenth of trailers: {named(told)}."
        if told
        else "No trailer is shown to be truly worse."
    )


def _next(m: Monthly) -> str:
    ahead = next((f for f in m.outlook.quarter if f.quantity == "faults" and f.key == ALL), None)
    if ahead is None:
        return ""
    return f"Next three months: about {number(ahead.expected)} faults ({interval(ahead.low, ahead.high)})."


def _open(m: Monthly) -> str:
    c = m.about.counts
    aside = (
        f"; {whole(c['quarantined'])} rows of the records are set aside and in no figure"
        if c["quarantined"]
        else ""
    )
    return f"{seen(len(m.unresolved), 'fault is', 'faults are').replace(' seen', '').capitalize()} unresolved at the month's end{aside}."
