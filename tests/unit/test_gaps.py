"""Months that a terminal or a shop did not send: planted, found, and not seen where nothing is missing."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from helpers import store_from
from repermit.studies.records.gaps import Gap, Gaps, gaps
from repermit.studies.selection import Window
from repermit.warehouse import opened

RECORD = Window(date(2024, 1, 1), date(2024, 7, 1))


def world(
    without_loads: set[tuple[str, int]], without_refusals: set[tuple[str, int]]
) -> dict[str, list[dict[str, Any]]]:
    """Two terminals in half a year: 300 loads a month at each, refused 12 times at the first and twice at the second."""
    loads, refusals = [], []
    for terminal, refused in (("East", 12), ("West", 2)):
        for month in range(1, 7):
            if (terminal, month) not in without_loads:
                loads.append(
                    {
                        "trailer_id": "T1",
                        "terminal": terminal,
                        "lane": "1",
                        "loaded_on": f"2024-{month:02d}-10",
                        "loads": 300,
                    }
                )
            refusals += [
                {"refusal_id": f"{terminal}-{month}-{n}", "trailer_id": f"T{n}", "terminal": terminal, "lane": "1",
                 "refused_at": f"2024-{month:02d}-{n + 1:02d}T08:00Z", "reason": "overfill"}
                for n in range(refused)
                if (terminal, month) not in without_refusals
            ]  # fmt: skip
    trailers = [{"trailer_id": f"T{n}", "positions": 5, "in_service_on": "2020-01-01"} for n in range(12)]
    return {"trailers": trailers, "loads": loads, "refusals": refusals}


def found(folder: Path, loads: set[tuple[str, int]], refusals: set[tuple[str, int]]) -> Gaps:
    with opened(store_from(folder, world(loads, refusals))) as con:
        return gaps(con, RECORD)


def test_a_whole_record_has_no_gap(tmp_path: Path) -> None:
    whole = found(tmp_path, set(), set())
    assert whole == Gaps(2, 0, ())
    assert whole.sentences()[0].startswith("Each terminal has loads in every month")


def test_refusals_that_were_not_sent_are_missed_where_many_are_usual(tmp_path: Path) -> None:
    # By hand: the other five months have 60 episodes in 1,800 loads with the empty one: 300 * 60 / 1800 = 10.
    quiet = found(tmp_path, set(), {("East", 3), ("West", 4)})
    assert quiet.rows == (Gap("terminal", "East", "2024-03", pytest.approx(10.0)),)
    assert quiet.sentences() == (
        "No refusal is on record of East in 2024-03, where 10 episodes are usual for so many loads: were they sent?",
    )


def test_many_months_of_one_terminal_are_one_sentence() -> None:
    rows = tuple(Gap("terminal", "East", f"2024-{n:02}", 100.0 + n) for n in range(1, 10))
    assert Gaps(1, 0, rows).sentences() == (
        "No refusal is on record of East in 2024-01, 2024-02, 2024-03, 2024-04, 2024-05, and 4 more, where 101 to 109"
        " episodes a month are usual for so many loads: were they sent?",
    )


def test_a_month_of_which_nothing_was_sent_is_missed(tmp_path: Path) -> None:
    gone = found(tmp_path, {("West", 4), ("West", 6)}, {("West", 4), ("West", 6)})
    assert gone.rows == (Gap("terminal", "West", "2024-04", None), Gap("terminal", "West", "2024-06", None))
    assert gone.sentences() == ("Nothing is on record of West in 2024-04, 2024-06: was a file left out?",)


def test_a_terminal_is_not_missed_before_its_first_load(tmp_path: Path) -> None:
    early = {("West", month) for month in (1, 2, 3)}
    assert found(tmp_path, early, early).rows == ()


def test_a_store_without_terminals_has_nothing_to_look_at(tmp_path: Path) -> None:
    tables = world(set(), set())
    tables["loads"] = [row | {"terminal": None} for row in tables["loads"][:6]]
    with opened(store_from(tmp_path, tables)) as con:
        assert gaps(con, RECORD) == Gaps(0, 0, ()) and gaps(con, RECORD).sentences() == ()


def shops(folder: Path, visits: dict[str, list[int]]) -> Gaps:
    """What is missing where shops have so many visits in each month of half a year."""
    repairs = [
        {
            "repair_id": f"{shop}-{month}-{n}",
            "trailer_id": "T1",
            "shop": shop,
            "received_at": f"2024-{month:02d}-{n + 1:02d}T08:00Z",
        }
        for shop, counts in visits.items()
        for month, count in enumerate(counts, start=1)
        for n in range(count)
    ]
    trailers = [{"trailer_id": "T1", "positions": 5, "in_service_on": "2020-01-01"}]
    with opened(store_from(folder, {"trailers": trailers, "repairs": repairs})) as con:
        return gaps(con, RECORD)


def test_visits_that_were_not_sent_are_missed_where_many_are_usual(tmp_path: Path) -> None:
    # By hand: North has 50 visits in five of six months, 50 / 5 = 10 since its first, in February; South 9 in each other.
    gone = shops(tmp_path, {"North": [0, 25, 0, 25, 0, 0], "South": [9, 9, 0, 9, 9, 9]})
    assert gone.rows == tuple(Gap("shop", "North", f"2024-0{month}", 10.0) for month in (3, 5, 6))
    assert gone.sentences() == (
        "No visit is on record of North in 2024-03, 2024-05, 2024-06, where 10 a month are usual: was a file left out?",
    )


def test_shops_with_visits_in_every_month_miss_nothing(tmp_path: Path) -> None:
    whole = shops(tmp_path, {"North": [12] * 6, "South": [1, 0, 0, 1, 0, 0]})
    assert whole == Gaps(0, 2, ())
    assert whole.sentences() == (
        "Each shop has visits in every month since its first wherever many are usual.",
    )
