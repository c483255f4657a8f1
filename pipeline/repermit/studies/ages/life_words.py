"""What a row of sensor lives says, as one or two plain sentences made from its numbers.

May import `wording`. The numbers come as a `Life` of the neighbour `life`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from repermit.wording import interval, number, percent, seen, whole

if TYPE_CHECKING:
    from repermit.studies.ages.life import Life

MEANS = {
    "early": "They fail early: the young fail more often than the old",
    "wear_out": "They wear out: the old fail more often than the young",
    "random": "They fail at random: age makes little difference",
}


def sentence(life: Life) -> str:
    """The row in words: how many, the verdict with its evidence, lots that stand out, replacement before failure."""
    parts = [f"{_count(life)}."]
    if life.left_out:
        parts.append(f"Left out: {seen(life.left_out, 'sensor')} of a lot that stands out.")
    if life.stands_out:
        parts.append(_standing(life))
    parts.append(_verdict(life))
    parts.append(_replacement(life) if life.verdict == "wear_out" else _no_replacement(life))
    return " ".join(parts)


def _count(life: Life) -> str:
    failures = life.all.failures
    told = seen(int(failures), "failure") if failures == int(failures) else f"{number(failures)} failures"
    bounds = ""
    if life.failures_least != life.failures_most:
        bounds = f" ({life.failures_least} to {life.failures_most}, as some findings are not recorded)"
    return f"{seen(life.all.lives, 'sensor')}, {told}{bounds}"


def _verdict(life: Life) -> str:
    shape = f"shape {number(life.all.shape[0])}, {interval(*life.all.shape[1:])}"
    if life.verdict == "too_few":
        return "Too few to tell whether they fail early, at random or worn out."
    if life.verdict in MEANS:
        return f"{MEANS[life.verdict]} ({shape}; 1 = at random). {_median(life)}"
    if life.all.verdict in MEANS:
        return (
            f"No verdict: all sensors together speak for {life.all.verdict.replace('_', '-')} failure ({shape}), those"
            f" whose birth is known, {seen(life.known.lives, 'sensor')} with"
            f" {number(life.known.failures)} of the failures, do not show it by themselves."
        )
    return f"Whether they fail early, at random or worn out is not shown ({shape}; 1 = at random)."


def _median(life: Life) -> str:
    median, low, high = life.all.median_days
    if median is None:
        return "How long half of them last can't be told."
    beyond = f", beyond the {whole(life.oldest_days)} days seen" if median > life.oldest_days else ""
    return f"Half of them have failed by {whole(median)} days ({interval(low, high)}){beyond}."


def _standing(life: Life) -> str:
    told = "They fail clearly more often than other sensors of the same age."
    if not life.in_service:
        return f"{told} None of them is still in service."
    here = f"{whole(life.in_service)} of them {'is' if life.in_service == 1 else 'are'} still in service"
    expected, low, high = life.expected_91d
    if expected is None:
        return f"{told} {here}; how many will fail next quarter can't be told."
    return f"{told} {here}, of which {number(expected)} ({interval(low, high)}) are expected to fail within 91 days."


def _no_replacement(life: Life) -> str:
    if life.verdict in MEANS:
        return "Replace them before they fail? No: a new one is no safer than one that has lasted."
    return "Replace them before they fail? No: that they wear out is not shown."


def _replacement(life: Life) -> str:
    costs, (saved, low, high) = life.costs, life.saving
    if costs.planned is None or costs.failed is None:
        return "Replace them before they fail? That can't be told: too few replacements are priced."
    stated = "" if costs.refusal else ", no cost of a refusal being stated"
    basis = f"a planned replacement costs {whole(costs.planned)}, a failure {whole(costs.failed)}{stated}"
    if life.replace_at_days is None:
        return f"Replace them before they fail? No, that is not shown to pay: {basis}."
    flat = life.flat_days
    return (
        f"Replacing them at {whole(life.replace_at_days)} days costs least and saves {percent(saved)}"
        f" ({interval(low, high, as_percent=True)}); {interval(*flat)} days costs nearly the same: {basis}."
    )
