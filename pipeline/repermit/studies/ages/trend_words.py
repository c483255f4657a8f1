"""What a row of trends says, as plain sentences made from its numbers. May import `wording`."""

from __future__ import annotations

from typing import Literal

from repermit.wording import estimate, number, seen, whole

Verdict = Literal["better", "worse", "no_change_shown", "season_not_separable"]
MIN_FAULTS = 10
"""Fewer faults than that show no trend, whatever their order."""


def in_words(
    verdict: Verdict, faults: int, trailers: int, span_days: float, p: float | None,
    now: tuple[float | None, float | None, float | None],
) -> str:  # fmt: skip
    """One sentence or two from the numbers: what is shown, by how many faults, how strongly, and the mean time now."""
    made_of = f"{seen(faults, 'fault')} on {seen(trailers, 'trailer')} in {seen(round(span_days / 30.4375), 'month')}"
    if faults == 0:
        told = f"Too few to tell: {made_of}"
    elif verdict == "season_not_separable":
        told = f"A season can't be told from a trend: {made_of}, and 24 months are needed"
    elif p is None or faults < MIN_FAULTS:
        told = f"Too few to tell: {made_of}, and {MIN_FAULTS} of both are needed"
    elif verdict == "no_change_shown":
        told = f"No change shown: {made_of} lie no more to one end than chance and season bring (p = {number(p, 2)})"
    else:
        end = "later" if verdict == "worse" else "earlier"
        strength = "strong" if p < 0.001 else "clear" if p < 0.01 else "some"
        told = (
            f"{verdict.capitalize()} with time: {made_of} lie more to the {end} end than chance and season bring,"
            f" with {strength} evidence (p {'under 0.001' if p < 0.001 else '= ' + number(p, 2)})"
        )
    point, low, high = now
    if point is None:
        return f"{told}."
    return f"{told}. Now one fault in {estimate(point, low, high)} trailer-days."


def compared_in_words(
    more: float | None, low: float | None, high: float | None, first_day: float | None, last_day: float | None
) -> str:
    """How the group stands against all other trailers together, between two ages."""
    if more is None or low is None or high is None:
        return "Too few trailers of like age to compare with the others."
    ages = f"from an age of {whole(first_day)} to {whole(last_day)} days"
    if low > 0:
        return f"More faults than the other trailers: {estimate(more, low, high)} a trailer more, {ages}."
    if high < 0:
        return (
            f"Fewer faults than the other trailers: {estimate(-more, -high, -low)} a trailer fewer, {ages}."
        )
    return f"No difference from the other trailers shown: {estimate(more, low, high)} faults a trailer more, {ages}."
