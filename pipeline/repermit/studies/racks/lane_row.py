"""One lane held against others: its numbers, since when, the chance that one refusal was its own, and its sentence.

May import `wording`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from repermit.wording import estimate, number, seen, whole

Verdict = Literal["stands_out", "fewer", "alike", "too_few"]
TWICE = 2.0
"""A lane whose upper limit is no more than so many times the others' rate is told to be like them."""
FIELDS = (
    "terminal", "lane", "loads", "cleared_without_repair", "cleared_other_lane", "excess", "excess_least",
    "excess_most", "rate_ratio", "rate_ratio_low", "rate_ratio_high", "q_value", "flagged", "told_by", "expected",
)  # fmt: skip
COLUMNS = (
    *FIELDS, "since", "since_earliest", "since_latest", "rack_side_elsewhere", "rack_side_elsewhere_low",
    "rack_side_elsewhere_high", "rack_side_here", "rack_side_here_low", "rack_side_here_high", "sentence",
)  # fmt: skip


@dataclass(frozen=True)
class Chance:
    """Of a lane's episodes of one kind: how many, how many the others lead one to expect, and the probability that one
    is the lane's own doing rather than what the others have as well, with limits. None where too few to tell.
    """

    episodes: int
    expected: float | None
    probability: float | None
    low: float | None
    high: float | None

    def sentence(self) -> str:
        """In words, with counts."""
        if self.probability is None or self.high is None:
            return "Was it the lane? Too few refusals like it to tell."
        told = estimate(self.probability, self.low, self.high, as_percent=True)
        return (
            f"Was it the lane? The probability is {told}: this lane has {whole(self.episodes)} that cleared in the same way, where"
            f" {number(self.expected)} would be usual. It is no verdict on this one."
        )


@dataclass(frozen=True)
class Since:
    """The month (YYYY-MM) in which a lane's excess began; `earliest` to `latest` fit nearly as well.

    `whole_record`: it is the first month looked at, so it may have begun before.
    """

    month: str
    earliest: str
    latest: str
    whole_record: bool


@dataclass(frozen=True)
class LaneRow:
    """One lane. `excess`: cleared episodes beyond those expected, with least and most.

    `rate_ratio`: over the lanes it is held against, of the kind that `told_by` names, with limits that allow for
    both kinds having been looked at. All of it None where nothing can be compared. `since` None: not flagged, or not
    told by the records. `one_trailer`: it would be flagged but for one trailer's refusals. `elsewhere` and `here`: of one episode that cleared on another lane, or not.
    """

    terminal: str
    lane: str
    loads: int
    cleared_without_repair: int
    cleared_other_lane: int
    excess: float | None
    excess_least: float | None
    excess_most: int
    rate_ratio: float | None
    rate_ratio_low: float | None
    rate_ratio_high: float | None
    q_value: float | None
    flagged: bool
    one_trailer: bool
    told_by: Literal["cleared_other_lane", "cleared_without_repair"]
    expected: float | None
    others: tuple[str, ...]
    others_near: bool
    since: Since | None
    elsewhere: Chance
    here: Chance

    @property
    def verdict(self) -> Verdict | None:
        """In one word; None where nothing can be compared."""
        if self.q_value is None:
            return None
        if self.flagged:
            return "stands_out"
        if self.one_trailer or self.rate_ratio_high is None or self.rate_ratio_high > TWICE:
            return "too_few"
        return "fewer" if self.rate_ratio_high < 1 else "alike"

    def sentence(self) -> str:
        """What the numbers say, with interval and count."""
        who = f"Lane {self.lane} of {self.terminal}"
        if self.verdict is None:
            return f"{who}: nothing to hold it against."
        kind = (
            "cleared on another lane" if self.told_by == "cleared_other_lane" else "cleared without a repair"
        )
        count = getattr(self, self.told_by)
        held = f"{seen(count, 'refusal')} that {kind} in {whole(self.loads)} loads, {number(self.expected)} expected of the same trailers in the same months"
        ratio = estimate(self.rate_ratio, self.rate_ratio_low, self.rate_ratio_high)
        told = {
            "stands_out": f"{ratio} times the others",
            "alike": f"{ratio} times the others: like them",
            "fewer": f"{ratio} times the others: fewer",
            "too_few": f"{ratio} times the others: "
            + ("one trailer alone" if self.one_trailer else "too few to tell"),
        }[self.verdict]
        when = ""
        if self.flagged:
            s = self.since
            when = (
                f"; since about {s.month} ({s.earliest} to {s.latest})"
                if s
                else "; since when is not told by the records"
            )
            if s and s.whole_record:
                when = f"; since {s.month}, the first month looked at, or before"
        return f"{who}: {held}; {told}{when}."

    def as_dict(self) -> dict[str, Any]:
        """For JSON and CSV, with the names of COLUMNS."""
        found: dict[str, Any] = {name: getattr(self, name) for name in FIELDS}
        for name, kind in (("since", "month"), ("since_earliest", "earliest"), ("since_latest", "latest")):
            found[name] = getattr(self.since, kind) if self.since else None
        for name, chance in (("elsewhere", self.elsewhere), ("here", self.here)):
            found[f"rack_side_{name}"] = chance.probability
            found[f"rack_side_{name}_low"], found[f"rack_side_{name}_high"] = chance.low, chance.high
        return found | {"sentence": self.sentence()}
