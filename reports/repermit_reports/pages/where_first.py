"""Where to look first, as sections of the shop's page and as a card of one sheet for the bench. No statistics words.

Takes `Searches`, gives sections and a `Page`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from repermit.studies.location.where_first import CUSTOMARY, GROUND, Search, Searches, Step
from repermit.wording import number, seen, whole, words
from repermit_reports.page import Column, Page, Section, Table
from repermit_reports.pages.words import CAUTIONS

if TYPE_CHECKING:
    from repermit.studies.location.check_minutes import Minutes

ORDINALS = ("first", "second", "third", "fourth")
FIRST, ON_CARD = 3, 4
"""So many checks stand in a table of the shop's page, and of the card, which has the sheet for itself."""
CHECKS = {
    "sensor_tip_clean": "wipe the sensor tip",
    "connection_look": "look at the connections",
    "pull_test": "pull test the crimps",
    "strain_relief_look": "look at the strain relief",
    "supply_voltage": "measure the supply",
    "sensor_swap": "swap the sensor",
    "socket_look": "look at the socket",
    "ground_test": "test the ground",
}
SHOWS = {"all_pass": "all pass, still no permit", "several": "several at once", "none_pass": "none passes"}
NEXT = f"Not found by then: go on in the customary order (common practice): {CUSTOMARY}."
LAST = "Last, always: a full function test of every position and of the ground. One fault found does not end the search."
POSITION = (
    "A position is a place in the chain, not always the compartment of that number: trace before climbing."
)
ORDER = "A quick check that seldom finds the fault may come before a long one that finds it more often: the order is the quickest on average. Past findings are those with this showing; where they are few, those of other positions lend theirs."
METHOD = "Where to look first: how often each cause was found before, with the minutes of each check, gives the order that finds the fault in the fewest minutes on average, a housing being opened once (Kadane and Simon 1977; Horn 1972). A fault is taken to be one, and a check to see it where it is."


def check_words(step: Step, named: int | str | None = None) -> str:
    """What to do and where, as said at the bench; "there" is the position that the tester named."""
    what = CHECKS.get(step.check, words(step.check))
    if not step.position:
        return f"{what} at the socket" if step.check == "supply_voltage" else what
    return f"{what} there" if step.position == named else f"{what} at {step.position}"


def look_sections(found: Searches) -> tuple[Section, ...]:
    """One section a kind of trailer that the shop sees, a row for each thing that the tester can show."""
    sections: list[Section] = []
    thin = []
    for i, (system, n, searches) in enumerate(found.kinds()):
        if any(s.steps for s in searches):
            table = _table(f"look-{i}-table", _kind(system, n), searches)
            notes = _notes(found) if not sections else ()
            sections.append(
                Section(
                    f"look-{i}",
                    f"Where to look first: {_kind(system, n)}",
                    _lede(searches),
                    table=table,
                    notes=notes,
                )
            )
        else:
            thin.append(_kind(system, n))
    if thin:
        lede = f"Too few past findings to say where to look first: {'; '.join(thin)}. Follow the customary order (common practice): {CUSTOMARY}."
        sections.append(Section("look-thin", "Where to look first: too few to tell", lede))
    return tuple(sections)


def _notes(found: Searches) -> tuple[str, ...]:
    return (NEXT, LAST, POSITION, ORDER, minutes_words(found.minutes))


def card_page(found: Searches) -> Page:
    """The check card of the first kind of trailer that anything can be said of: one sheet, cautions on it."""
    sections: tuple[Section, ...] = ()
    for system, n, searches in found.kinds():
        if not sections and any(s.steps for s in searches):
            title, table = (
                f"Where to look first: {_kind(system, n)}",
                _table("look-0-table", _kind(system, n), searches, ON_CARD),
            )
            sections = (Section("look-0", title, "", table=table, notes=_notes(found)),)
    whose = f", {found.shop}" if found.shop else ""
    return Page(
        kind="card",
        title=f"Check card{whose}",
        subtitle=f"From past findings to {found.about.end}; a suggestion: who looks decides",
        headline="Read the cautions, then check in this order.",
        lede="" if sections else "Too few past findings to say where to look first.",
        sections=sections,
        cautions=CAUTIONS,
        data_used=(),
        methods=(),
        assumptions=(),
        dated=f"Records before {found.about.end}",
    )


def minutes_words(minutes: Minutes) -> str:
    """Where the minutes come from."""
    if minutes.source == "checks":
        return f"Minutes are from {seen(minutes.records, 'timed check')}, opening a housing included."
    if minutes.source == "labour":
        return f"Minutes are from the labour of {seen(minutes.records, 'visit')} by what was found, so only their proportions speak."
    return "No minutes are on record; every check is taken to last the same."


def _kind(system: str, n: int) -> str:
    return f"{words(system)}, {n} positions"


def _lede(searches: list[Search]) -> str:
    told = [s for s in searches if s.steps]
    most = max(told, key=lambda s: (s.alike, s.customary or 0))
    line = f"The tester shows {_shows(most.indicated)}: first {check_words(most.steps[0], most.indicated)}, which finds it in {_of_100(most.steps[0].probability)} of 100 cases. On average {number(most.expected, 2)} minutes to the fault; {number(most.customary, 2)} in the customary order ({seen(most.alike, 'past finding')})."
    thin = [_shows(s.indicated) for s in searches if not s.steps]
    return line + (f" Too few to tell: {', '.join(thin)}." if thin else "")


def _shows(indicated: int | str) -> str:
    if isinstance(indicated, int):
        return f"position {indicated}"
    return "ground open" if indicated == GROUND else SHOWS[indicated]


def _table(id_: str, kind: str, searches: list[Search], checks: int = FIRST) -> Table:
    columns = (
        Column("shows", "tester shows"),
        *(Column(name, name) for name in ORDINALS[:checks]),
        Column("found", "found by then", "of 100", "integer"),
        Column("minutes", "to the fault", "min", "integer"),
        *([Column("customary", "customary order", "min", "integer")] if checks == FIRST else []),
        Column("past", "past findings", kind="integer"),
    )
    alike: dict[tuple[object, ...], list[Search]] = {}
    for s in searches:
        if s.steps:
            alike.setdefault(_row(s, checks), []).append(s)
    rows = tuple((_together(group), *row, sum(s.alike for s in group)) for row, group in alike.items())
    return Table(id_, f"{kind}; in brackets: of 100 such faults, how many the check finds", columns, rows)


def _row(s: Search, checks: int) -> tuple[object, ...]:
    shown = s.steps[:checks]
    told = [f"{check_words(k, s.indicated)} ({_of_100(k.probability)})" for k in shown]
    found = round(sum(k.probability for k in shown) * 100)
    minutes = (_two(s.expected), _two(s.customary))[: 2 if checks == FIRST else 1]
    return (*told, *[""] * (checks - len(told)), found, *minutes)


def _together(group: list[Search]) -> str:
    """What the tester shows, of indications that want the same checks."""
    named = [s.indicated for s in group if isinstance(s.indicated, int)]
    if len(named) < 2:
        return ", ".join(_shows(s.indicated) for s in group)
    if named == list(range(named[0], named[-1] + 1)):
        return (
            f"position {named[0]} to {named[-1]}" if len(named) > 2 else f"position {named[0]} or {named[1]}"
        )
    return f"position {', '.join(map(str, named))}"


def _of_100(probability: float) -> str:
    return whole(probability * 100) if probability >= 0.005 else "under 1"


def _two(minutes: float | None) -> float | None:
    """Minutes to two figures: no order of checks is known better."""
    return None if minutes is None else float(f"{minutes:.2g}")
