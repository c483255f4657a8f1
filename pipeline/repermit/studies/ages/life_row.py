"""One row of sensor lives, a step of a curve of lives, and what a row says, as plain sentences made from its numbers.

May import `wording` and its neighbour `life_costs`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from repermit.studies.ages.life_costs import Costs
from repermit.wording import estimate, interval, percent, seen, tally, whole

Verdict = Literal["early", "random", "wear_out", "not_shown", "too_few"]

FITTED_BY = ("lot", "method")
"""Keys known only of sensors whose fitting is on record, so all of known birth."""
MEANS = {
    "early": "They fail early: the young fail more often than the old",
    "wear_out": "They wear out: the old fail more often than the young",
    "random": "They fail at random: age makes little difference",
}


@dataclass(frozen=True)
class Shape:
    """A Weibull distribution: lives and failures behind it, and (value, low, high) of shape, scale and median age."""

    lives: int
    failures: float
    shape: tuple[float | None, float | None, float | None]
    scale_days: tuple[float | None, float | None, float | None]
    median_days: tuple[float | None, float | None, float | None]
    verdict: Verdict


@dataclass(frozen=True)
class Life:
    """One row: all lives, those of known birth alone, and what follows from them. What is undefined is None.

    `failures_least` are recorded as such at this position, `failures_most` with all that may be. `left_out`: sensors
    of a lot that stands out, counted in none of these but by lot and method. `oldest_days`: the
    greatest age seen. By lot or method: `stands_out`, clearly more early failures than the other sensors of known
    birth; `in_service` at the window's end, and the failures `expected_91d` of them within 91 days, with limits.
    """

    key: str | int | None
    all: Shape
    known: Shape
    left_out: int
    failures_least: int
    failures_most: int
    oldest_days: float
    verdict: Verdict
    replace_at_days: float | None
    saving: tuple[float | None, float | None, float | None]
    flat_days: tuple[float | None, float | None]
    costs: Costs
    in_service: int | None
    expected_91d: tuple[float | None, float | None, float | None]
    stands_out: bool | None

    @property
    def sentence(self) -> str:
        """What the row says, in plain words."""
        return _sentence(self)

    def as_dict(self, by: str) -> dict[str, Any]:
        """For JSON: one field a quantity."""
        found: dict[str, Any] = {
            by: self.key,
            "lives": self.all.lives,
            "failures": self.all.failures,
            "left_out": self.left_out,
            "failures_least": self.failures_least,
            "failures_most": self.failures_most,
        }
        for prefix, shape in (("", self.all), ("known_", self.known)):
            if prefix:
                found |= {"known_lives": shape.lives, "known_failures": shape.failures}
            for name, values in (
                ("weibull_shape", shape.shape),
                ("weibull_scale_days", shape.scale_days),
                ("median_days", shape.median_days),
            ):
                found |= _limited(prefix + name, values)
        found |= {"verdict": self.verdict, "replace_at_days": self.replace_at_days}
        found |= _limited("saving", self.saving)
        found |= {"flat_from_days": self.flat_days[0], "flat_to_days": self.flat_days[1]}
        if by in FITTED_BY:
            found |= {"stands_out": self.stands_out, "in_service": self.in_service}
            found |= _limited("expected_91d", self.expected_91d)
        return found | {"sentence": self.sentence}


@dataclass(frozen=True)
class Point:
    """One step of a product-limit curve, of sensors of known birth."""

    key: str | int | None
    age_days: float
    at_risk: int
    surviving: float
    low: float | None
    high: float | None


def _limited(name: str, values: tuple[float | None, ...]) -> dict[str, float | None]:
    return dict(zip((name, f"{name}_low", f"{name}_high"), values, strict=True))


def _sentence(life: Life) -> str:
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
    told = seen(int(failures), "failure") if failures == int(failures) else f"{tally(failures)} failures"
    bounds = ""
    if life.failures_least != life.failures_most:
        bounds = f" ({whole(life.failures_least)} to {whole(life.failures_most)}, as some findings are not recorded)"
    return f"{seen(life.all.lives, 'sensor')}, {told}{bounds}"


def _verdict(life: Life) -> str:
    shape = f"shape {estimate(*life.all.shape)}".replace(" (", ", ").rstrip(
        ")"
    )  # it stands in brackets itself
    if life.verdict == "too_few":
        return "Too few to tell whether they fail early, at random or worn out."
    if life.verdict in MEANS:
        return f"{MEANS[life.verdict]} ({shape}; 1 = at random). {_median(life)}"
    if life.all.verdict in MEANS:
        return (
            f"No verdict: all sensors together speak for {life.all.verdict.replace('_', '-')} failure ({shape}), those"
            f" whose birth is known, {seen(life.known.lives, 'sensor')} with {seen(life.known.failures, 'failure').replace(' seen', '')},"
            " do not show it by themselves."
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
    return f"{told} {here}, of which {estimate(expected, low, high)} are expected to fail within 91 days."


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
