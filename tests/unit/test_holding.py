"""First-time fixes, risk by loads, time gained, the mix of work and the sentence, on small stores counted by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import store_from
from repermit.studies.repairs.against import Against, explained_by_mix
from repermit.studies.repairs.fixes import Fix, Fixes
from repermit.studies.repairs.holding import FIRST_TIME_DAYS, LOADS, Difference, Estimate
from repermit.wording import estimate, number
from test_fixes import NOTHING, START, Row, ask, trailer, visit, within

NAMES = [f"T{n}" for n in range(1, 5)]


def store(folder: Path, repairs: list[Row], **tables: Any) -> Path:
    return store_from(folder, {"trailers": [trailer(n) for n in NAMES], "repairs": repairs, **tables})


def refusal(name: str, day: int) -> Row:
    at = (START + timedelta(days=day, hours=6)).isoformat() + "Z"
    return {"refusal_id": f"R-{name}-{day}", "trailer_id": name, "refused_at": at, "reason": "overfill"}


# --- first-time fixes -------------------------------------------------------------------------------------


def test_first_time_fix_by_hand(tmp_path: Path) -> None:
    """T1 came back at the place after 20 days, T2 after 40, T3 needed a further visit, T4 held: two of four."""
    again = [
        visit("T3", 0, None, "East", refusal_id="R-T3-0", permit_restored="no", **NOTHING),
        visit("T3", 2, 1, "West", refusal_id="R-T3-0", permit_restored="yes"),
    ]
    repairs = [
        visit("T1", 0, 2, "East"), visit("T1", 20, 2, "South"),
        visit("T2", 0, 2, "East"), visit("T2", FIRST_TIME_DAYS + 10, 2, "South"),
        *again, visit("T4", 0, 3, "East"),
    ]  # fmt: skip
    found = ask(store(tmp_path, repairs, refusals=[refusal("T3", 0)]))
    east = next(row for row in found.rows if row.key == "East")
    first = east.first_time_fix
    assert (first.n, first.value) == (4, pytest.approx(2 / 4))
    assert first.low is not None and first.high is not None and 0 < first.low < 2 / 4 < first.high < 1
    # the further visit at West gave the finding, so the fix is West's; the first visit was East's
    assert (east.fixes, next(r for r in found.rows if r.key == "West").first_time_fix.n) == (3, 0)


def test_a_fault_elsewhere_does_not_spoil_a_first_time_fix(tmp_path: Path) -> None:
    found = ask(store(tmp_path, [visit("T1", 0, 2, "East"), visit("T1", 10, 3, "West")]))
    assert next(row for row in found.rows if row.key == "East").first_time_fix.value == 1


# --- by completed loads -----------------------------------------------------------------------------------


def test_the_risk_by_loads_counts_those_between_return_and_fault(tmp_path: Path) -> None:
    """Ten loads a day: 9 days from the day of return to that of the fault bring 100, over 50 and under 150."""
    loads = [
        {"trailer_id": "T1", "terminal": "North", "lane": "1", "loaded_on": str((START + timedelta(days=d)).date()), "loads": 10}
        for d in range(0, 200)
    ]  # fmt: skip
    found = ask(store(tmp_path, [visit("T1", 0, 2, "East"), visit("T1", 9, 2, "West")], loads=loads))
    east = next(row for row in found.rows if row.key == "East")
    assert [e.value for e in east.in_loads] == [0, 1, 1] and LOADS == (50, 150, 300)


def test_no_loads_on_record_no_risk_by_loads(tmp_path: Path) -> None:
    found = ask(store(tmp_path, [visit("T1", 0, 2, "East"), visit("T1", 9, 2, "West")]))
    assert all(e == Estimate(0) for row in found.rows for e in row.in_loads)


# --- time gained and the test of the rows -------------------------------------------------------------------


def half_and_half(tmp_path: Path) -> Fixes:
    """Twelve trailers a tool: after 20 days nine of the one tool's come back, one of the other's."""
    names = [f"{tool}{n}" for tool in "HR" for n in range(12)]
    repairs = []
    for name in names:
        method = {"H": "hand_tool", "R": "ratchet_tool"}[name[0]]
        repairs.append(visit(name, 0, 2, method=method))
        if int(name[1:]) < {"H": 9, "R": 1}[name[0]]:
            # the comeback was fixed another way, of no known method
            repairs.append(visit(name, 20, 2, cause="corrosion", action="connection_cleaned"))
    return ask(store_from(tmp_path, {"trailers": [trailer(n) for n in names], "repairs": repairs}), "method")


def test_time_gained_of_one_method_over_the_other(tmp_path: Path) -> None:
    rows = {row.key: row for row in half_and_half(tmp_path).rows}
    gap = 20 - 8 / 24  # back at 08:00 of day 20 after the return at 16:00 of day 0
    expected = (9 - 1) / 12 * (180 - gap)
    assert rows["ratchet_tool"].gained_180d.value == pytest.approx(expected, rel=1e-9)
    assert rows["hand_tool"].gained_180d.value == pytest.approx(-expected, rel=1e-9)
    low = rows["ratchet_tool"].gained_180d.low
    assert low is not None and 0 < low < expected
    assert rows[None].gained_180d.value is None


def test_the_sentence_says_what_the_numbers_say(tmp_path: Path) -> None:
    found = half_and_half(tmp_path)
    rows = {row.key: row for row in found.rows}
    text = found.sentence()
    assert found.difference is not None and found.difference.p < 0.01 and found.difference.groups == 2
    for key, how in (("hand_tool", "hand tool come back most"), ("ratchet_tool", "ratchet tool least")):
        h = within(rows[key], 90)
        assert f"{how}, {estimate(h.risk, h.risk_low, h.risk_high, as_percent=True)} of 12" in text
    assert f"hardly makes such differences (p = {number(found.difference.p, 2)})" in text
    same = replace(found, difference=Difference(2, 0.1, 0.75))
    assert "none is shown" in same.sentence()


def test_too_few_to_tell(tmp_path: Path) -> None:
    found = ask(store(tmp_path, [visit(n, 0, 2, method="hand_tool") for n in NAMES]), "method")
    assert found.difference is None and "too few to tell" in found.sentence()
    fix: Fix = found.rows[0]
    assert fix.gained_180d == Estimate(4)


# --- the mix of work ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("crude", "fair", "share"),
    [
        ((4.0, 2.0, 8.0), 2.0, 0.5),
        ((4.0, 2.0, 8.0), 1.0, 1.0),
        ((4.0, 2.0, 8.0), 16.0, -1.0),
        ((4.0, 0.5, 8.0), 2.0, None),
        ((0.25, 0.1, 0.5), 0.5, 0.5),
    ],
)
def test_what_the_mix_explains(crude: tuple[float, float, float], fair: float, share: float | None) -> None:
    found = explained_by_mix(Against(10, 1, 1, *crude), Against(10, 1, 1, fair, fair / 2, fair * 2))
    assert found == (None if share is None else pytest.approx(share))
