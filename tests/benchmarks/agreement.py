"""Holds the figures that `by_hand.py` gives against those of the tool's own commands, cell by cell.

    python tests/benchmarks/agreement.py FIGURES.json FOLDER

FOLDER holds the commands' answers as JSON, named by `file_of`. Prints one JSON object a table. May import the standard library only: both sides come as JSON. Whole numbers must be equal; others agree to TOLERANCE of
their size, far below the last digit that tables print. What is defined otherwise is left out, and `otherwise` says so.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

TOLERANCE = 1e-5
"""Relative; tables print three digits. Lifelines' search and its broken ties stay within it."""
NEAR_ZERO = 1e-9
"""A difference this small agrees whatever the size."""
FEW = 5
"""Of fewer failures the tool may give no distribution, where a search by hand still ends somewhere."""

Row = dict[str, Any]


@dataclass(frozen=True)
class Figure:
    """One table of figures: the command that gives it, its keys, and the fields held against each other.

    `by_hand`: the table that holds it, if it is named otherwise.
    `between`: fields that must lie between two of the other side's. `near`: a difference this small agrees whatever the
    size. `otherwise`: what is not compared, and why.
    """

    name: str
    command: tuple[str, ...]
    keys: tuple[str, ...]
    fields: tuple[str, ...]
    between: tuple[tuple[str, str, str], ...] = ()
    otherwise: str = ""
    near: float = NEAR_ZERO
    by_hand: str = ""


RATES = ("faults", "loads", "days", "per_1000_loads", "mtbf_days")
RISKS = tuple((f"risk_{d}d", f"risk_least_{d}d", f"risk_most_{d}d") for d in (30, 90, 180))
FIGURES = (
    Figure(
        "rates by position and cause", ("rates", "--by", "position,cause"), ("position", "cause"),
        ("faults_found", "loads", "days"),
        otherwise="faults whose finding is missing, which the tool shares out, and its limits, which allow for unlike trailers",
    ),
    Figure(
        "rates by trailer", ("rates", "--by", "trailer"), ("trailer",),
        (*RATES, "per_1000_loads_low", "per_1000_loads_high"),
    ),
    Figure(
        "rates by month", ("rates", "--by", "month"), ("month",), RATES,
        otherwise="limits of the chart: the tool judges a month by those before it and allows for uneven trailers",
    ),
    Figure(
        "fixes by action", ("fixes", "--by", "action"), ("action",),
        ("fixes", "placed", *(f"{n}_{d}d" for n in ("any_fault", "back_least", "back_most") for d in (30, 90, 180))),
        between=RISKS,
        otherwise="limits of risks, which the tool takes over trailers",
    ),
    Figure(
        "life by lot", ("life", "--by", "lot"), ("lot",),
        ("lives", "failures", "weibull_shape", "weibull_scale_days", "median_days"),
        otherwise="sensors of unknown birth, which by hand are left out",
    ),
    Figure(
        "share of a lot working after a year", ("life", "--by", "lot", "--points"), ("lot",), ("surviving_365d",),
        by_hand="life by lot",
    ),
    Figure(
        "lanes", ("lanes",), ("terminal", "lane"), ("loads", "cleared_without_repair"),
        otherwise="excess, ratio and flags, which by hand are not made",
    ),
    Figure(
        "located", ("located",), ("system", "indicated_position", "found_position", "found_place"),
        ("repairs", "share", "share_low", "share_high"),
    ),
    Figure(
        "trend by fleet", ("trend", "--by", "fleet"), ("fleet",), ("faults", "days", "laplace_z"),
        otherwise="the tests behind the verdict, the power law and curves by age; times, which the tool takes in whole minutes",
        near=1e-4,
    ),
    Figure("counts", ("rates", "--by", "position,cause"), (), ("episodes", "faults", "loads")),
)  # fmt: skip


@dataclass(frozen=True)
class Agreement:
    """Of one table: how many cells were compared, the greatest relative difference, and what differs most."""

    name: str
    cells: int
    worst: float
    differs: str | None
    otherwise: str

    @property
    def agrees(self) -> bool:
        """Whether every cell agrees, and there was any."""
        return self.differs is None and self.cells > 0


def file_of(command: tuple[str, ...]) -> str:
    """The name of the file that holds a command's answer."""
    return "_".join(word.strip("-").replace(" ", "-") for word in command) + ".json"


def told(name: str, answer: Row) -> list[Row]:
    """The rows of a command's answer, as the figures by hand have them."""
    if name == "counts":
        return [answer["about"]["counts"]]
    if name == "share of a lot working after a year":
        last: dict[Any, Row] = {}
        for point in answer["rows"]:
            if point["age_days"] <= 365:
                last[point["lot"]] = {"lot": point["lot"], "surviving_365d": point["surviving"]}
        return list(last.values())
    return list(answer["rows"])


def hold_all(figures: dict[str, list[Row]], folder: Path) -> list[Agreement]:
    """Every table against the answers in a folder."""
    return [
        hold(f, figures[f.by_hand or f.name], json.loads((folder / file_of(f.command)).read_text()))
        for f in FIGURES
    ]


def hold(figure: Figure, by_hand: list[Row], answer: Row) -> Agreement:
    """Compare one table; rows that only one side has differ, but for rows of the tool in which nothing was counted."""

    def keyed(rows: list[Row]) -> dict[tuple[Any, ...], Row]:
        return {tuple(plain(row.get(k)) for k in figure.keys): row for row in rows}

    hand, tool = keyed(by_hand), keyed(told(figure.name, answer))
    worst, differs, cells = 0.0, None, 0
    for key, theirs in hand.items():
        mine = tool.get(key)
        if mine is None:
            differs = differs or f"{key} by hand only"
            continue
        for field in figure.fields:
            if mine.get(field) is None and theirs.get("failures", FEW) < FEW:
                continue  # the tool says that it can't tell
            cells += 1
            off = difference(theirs.get(field), mine.get(field), figure.near)
            worst = max(worst, off)
            if off > TOLERANCE:
                differs = differs or f"{key} {field}: {theirs.get(field)} by hand, {mine.get(field)}"
        for field, low, high in figure.between:
            if low not in theirs:
                continue
            cells += 1
            if not within(mine[field], theirs[low], theirs[high]):
                differs = differs or f"{key} {field}: {mine[field]} is not in {theirs[low]} to {theirs[high]}"
    for key in tool.keys() - hand.keys():
        if None not in key and any(tool[key].get(f) for f in figure.fields[:1]):
            differs = differs or f"{key} not by hand"
    return Agreement(figure.name, cells, worst, differs, figure.otherwise)


def plain(key: Any) -> Any:
    """A key that does not depend on how whole numbers are written."""
    return int(key) if isinstance(key, float) and key.is_integer() else key


def difference(a: Any, b: Any, near: float = NEAR_ZERO) -> float:
    """Relative difference; none between two that are not known."""
    if a is None or b is None:
        return 0.0 if a is None and b is None else math.inf
    if isinstance(a, int) and isinstance(b, int):
        return 0.0 if a == b else math.inf
    return 0.0 if abs(a - b) <= near else abs(a - b) / max(abs(a), abs(b))


def within(value: float | None, low: float, high: float) -> bool:
    """Whether the value lies between both, to the tolerance."""
    return value is not None and low * (1 - TOLERANCE) <= value <= high * (1 + TOLERANCE)


if __name__ == "__main__":
    held = hold_all(json.loads(Path(sys.argv[1]).read_text()), Path(sys.argv[2]))
    json.dump([asdict(a) | {"agrees": a.agrees} for a in held], sys.stdout)
