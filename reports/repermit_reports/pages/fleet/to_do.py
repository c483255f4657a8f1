"""What to do, as the first section of the owner's page: one list. Takes `FleetRecord`, gives a `Section`. No statistics words."""

from __future__ import annotations

from repermit.studies.ages.life_row import Life
from repermit.studies.readers.fleet import FleetRecord
from repermit.studies.readers.what_pays import Action
from repermit.wording import amount, interval, named, percent, seen, whole, words
from repermit_reports.page import Section
from repermit_reports.pages.fleet.words import currency

"""So many trailers are named in a sentence; the tables have them all."""

METHOD = "What pays: only what stands out beyond chance is advised. Spared is what the thing brought beyond the usual, carried into the next quarter by this fleet's loads, fixes or sensors of the last; between two numbers, as the records allow. Money is that times what a fault cost on record. Sensors are replaced before they fail only where those whose age is known are shown to wear out and the saving is shown (Barlow and Proschan 1965); all fleets' sensors tell that."


def to_do_section(f: FleetRecord) -> Section:
    """Where to ask, what to pull in, what pays, each with its reason; then what need not be done."""
    listed = [*_ask(f), *_pull_in(f), *(_action(f, a) for a in f.advice.actions if a.kind != "trailers")]
    listed += [_replace(f, row) for row in f.replace_early]
    told = [f"{n}. {line}" for n, line in enumerate(listed, 1)] if len(listed) > 1 else listed
    return Section("to-do", "What to do", "\n\n".join([*told, *_rest(f)]))


def pulled_in(f: FleetRecord) -> list[str]:
    """Trailers that stand above the fleet's others, or above those of all fleets."""
    worse = [t.trailer_id for t in f.trailers if t.clearly_more and t.in_fleet]
    advised = [name for a in f.advice.actions if a.kind == "trailers" for name in a.names]
    return list(dict.fromkeys([*worse, *advised]))


def _ask(f: FleetRecord) -> list[str]:
    waiting = list(dict.fromkeys(u.trailer_id for u in f.unresolved))
    if not waiting:
        return []
    verb = "is" if len(waiting) == 1 else "are"
    return [
        f"Find out where {named(waiting)} {verb}: refused, and no repair and no load on record since, as the records end on {f.as_of}. See Unresolved now."
    ]


def _pull_in(f: FleetRecord) -> list[str]:
    advised = [a for a in f.advice.actions if a.kind == "trailers"]
    rest = [name for name in pulled_in(f) if not any(name in a.names for a in advised)]
    told = [_action(f, a) for a in advised]
    if rest:
        told.append(
            f"Pull in {named(rest)}: clearly more faults than the fleet's others. See Which trailers stand out."
        )
    return told


def _action(f: FleetRecord, action: Action) -> str:
    s = action.money
    money = "" if s is None else f" In money: {amount(s.low)} to {amount(s.high)} {currency(f)}."
    return f"{action.sentence()}{money}{_why(action)}"


def _why(action: Action) -> str:
    return f" Why: {_ended(action.evidence)} What would change this: {_ended(action.unless)}"


def _ended(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def _replace(f: FleetRecord, row: Life) -> str:
    saved, low, high = row.saving
    costs = row.costs
    return (
        f"Replace {words(str(row.key))} sensors when they are {whole(row.replace_at_days)} days old, before they fail; at {interval(*row.flat_days)} days it costs nearly the same."
        f" That saves {percent(saved)} of what these sensors cost ({interval(low, high, as_percent=True)}):"
        f" a planned replacement costs {whole(costs.planned)}, a failure {whole(costs.failed)} {currency(f)}."
        f" Why: of {seen(row.known.lives, 'sensor')} whose age is known and all others, the old fail more often than the young."
    )


def _rest(f: FleetRecord) -> list[str]:
    """What need not be done, and what a fault cost."""
    told = []
    if not f.advice.actions and not pulled_in(f):
        told.append(f.advice.sentence())
    elif not pulled_in(f):
        told.append(
            "Pull in none by these records: there are too few faults to tell which trailer is worse than the others."
        )
    if not f.replace_early:
        told.append("Don't replace sensors before they fail: the records don't show that it pays.")
    a = f.advice
    if a.cost_of_fault is None:
        told.append("No fault of this fleet carries a price, so money can't be told.")
    else:
        beyond = (
            f", a refused trailer {amount(a.cost_of_refusal)} beyond that (settings)"
            if a.cost_of_refusal
            else ""
        )
        told.append(
            f"A fault cost {amount(a.cost_of_fault)} {currency(f)} on average ({seen(a.priced, 'fault')} with a price, on all records){beyond}."
        )
    return told
