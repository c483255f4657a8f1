"""Of the shop's page: what to do differently from Monday on, as far as the record asks for it. No statistics words.

Takes `ShopRecord`, gives a section. What is advised is common practice; the record only says where it is wanted.
"""

from __future__ import annotations

from repermit.studies.readers.shop import ShopRecord
from repermit.wording import named, number, seen, whole, words
from repermit_reports.page import Section
from repermit_reports.pages.shop.fixes import (
    FEW,
    best_and_worst,
    by_trailer,
    enough,
    more_here,
    of_them,
)

HOW = {
    "recrimped": "crimp with the tool and die that the terminal is made for, and pull test every crimp before the housing is closed",
    "connection_cleaned": "look for how the water came in before the housing is closed, and dry and seal it",
    "sensor_cleaned": "look for what wets the sensor, and wet-test it afterwards",
    "sensor_replaced": "test the wiring on both sides of the sensor before it is swapped",
    "cable_replaced": "look at the strain relief at both ends of the new cable",
    "socket_replaced": "pull test the wires behind the socket before it is closed",
    "ground_restored": "measure the ground once more before the trailer leaves",
}
LEFT_OUT_OF, LEAST = 20, 3
"""Paperwork is worth a word where more than one in so many says nothing, and so many at least."""


def to_do(s: ShopRecord) -> Section:
    """At most one line of each kind, and only where the numbers ask for it."""
    found = [*_fixes(s), *_tools(s), *_trailers(s), *_nothing_found(s), *_sensors(s), *_paper(s)]
    if not found:
        return Section(
            "to-do",
            "What to do differently",
            "Nothing on record stands out so far that something should be done differently; the order of checks below stands.",
        )
    return Section(
        "to-do",
        "What to do differently",
        "What the record asks for, most telling first. How it is done is common practice; the site's rules go first.",
        notes=tuple(found),
    )


def _fixes(s: ShopRecord) -> list[str]:
    """The kinds of fix that come back more often here than at the other shops; else those that come back most here."""
    told = []
    for c in enough(s.actions):
        if c.elsewhere and more_here(c):
            how = HOW.get(c.name or "", "look at how it is done")
            told.append(
                f"{words(c.name).capitalize()}: {of_them(c.here)} came back within 90 days, at the other shops"
                f" {of_them(c.elsewhere)}. So {how}."
            )
    pair = best_and_worst(enough(s.actions))
    if not told and pair and pair[1].name in HOW:
        worst = pair[1]
        told.append(
            f"{words(worst.name).capitalize()} comes back most: {of_them(worst.here)} within 90 days. So {HOW[worst.name or '']}."
        )
    return told


def _tools(s: ShopRecord) -> list[str]:
    pair = best_and_worst(enough(s.methods))
    if pair is None:
        return []
    better, worse = pair
    return [
        f"Use the {words(better.name)} rather than the {words(worse.name)}: back within 90 days {of_them(better.here)} against {of_them(worse.here)}."
    ]


def _trailers(s: ShopRecord) -> list[str]:
    again = [mine for mine in by_trailer(s.came_back) if len(mine) > 1]
    if not again:
        return []
    names = named([f"{mine[0].trailer_id} ({len(mine)} times)" for mine in again], most=3)
    return [
        f"{names} came back more than once in 12 months: the same fix again will not do. Search on past the first fault found, in the housings on both sides too."
    ]


def _nothing_found(s: ShopRecord) -> list[str]:
    n = s.nothing_found
    if n.followed < FEW or 2 * n.again < n.followed:
        return []
    return [
        f"After {whole(n.again)} of {whole(n.followed)} visits that found nothing the trailer had a fault again within 90 days: before such a visit ends, go through the whole order of checks and the full function test, and write each down."
    ]


def _sensors(s: ShopRecord) -> list[str]:
    n = s.sensors
    if n.tested >= FEW and 10 * n.good >= n.tested:
        return [
            f"{whole(n.good)} of {whole(n.tested)} sensors that were taken out and tested had nothing wrong: wipe the tip and pull test the crimps beside it before a sensor is swapped."
        ]
    if n.replaced >= FEW and not n.tested:
        return [
            f"None of {seen(n.replaced, 'sensor')} taken out was tested: send them in, else nobody knows how many were good."
        ]
    return []


def _paper(s: ShopRecord) -> list[str]:
    """What can't be followed because it was not written down."""
    told = []
    if _worth_a_word(s.visits_without_finding, s.visits):
        told.append(
            f"{whole(s.visits_without_finding)} of {whole(s.visits)} visits say nothing of what was found, or in what"
        )
    without = next((c.here.fixes for c in s.methods if c.name is None), 0)
    of = sum(c.here.fixes for c in s.methods)
    if _worth_a_word(without, of):
        told.append(f"{whole(without)} of {whole(of)} do not say with which tool")
    unplaced = s.total.fixes - s.total.placed - s.nothing_found.visits
    if _worth_a_word(unplaced, s.total.fixes):
        told.append(f"{number(unplaced)} repairs have no position, so nobody can see whether they hold")
    return [f"Write it down: {'; '.join(told)}."] if told else []


def _worth_a_word(missing: int, of: int) -> bool:
    return missing >= LEAST and LEFT_OUT_OF * missing > of
