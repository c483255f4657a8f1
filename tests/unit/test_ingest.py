"""Reconciliation: what becomes of every row, over one ingest and over several."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest

from helpers import dump, load, query, write_csv
from reconciled import Ledger, counts
from repermit.errors import DataError
from repermit.ingest.reconcile import reconcile
from repermit.studies.records.quarantine import by_reason
from repermit.warehouse import connect, opened, rows

SCHEMAS = ("record", "accepted", "waiting", "current")


@pytest.fixture
def ledger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Ledger]:
    """A ledger, of which at the end holds what must; its marts are not rebuilt, for no test here looks at them."""
    monkeypatch.setattr("repermit.ingest.run.build", lambda *_, **__: None)
    ledger = Ledger(tmp_path)
    yield ledger
    assert not ledger.broken()


def trailer(name: str = "A", **cells: Any) -> dict[str, Any]:
    return {
        "trailer_id": name,
        "positions": 4,
        "in_service_on": "2020-01-01",
        "out_of_service_on": None,
    } | cells


def refusal(name: str = "F1", **cells: Any) -> dict[str, Any]:
    return {"refusal_id": name, "trailer_id": "A", "refused_at": "2025-03-01T10:00Z", "lane": "1"} | cells


def repair(name: str = "R1", **cells: Any) -> dict[str, Any]:
    return {
        "repair_id": name,
        "trailer_id": "A",
        "received_at": "2025-03-01T12:00Z",
        "refusal_id": None,
    } | cells


def load_line(day: int = 1, **cells: Any) -> dict[str, Any]:
    return {"trailer_id": "A", "terminal": "T", "lane": "1", "loaded_on": f"2025-03-{day:02}"} | cells


# --- once -----------------------------------------------------------------------------------------------------


def test_the_same_row_again_in_a_file_is_a_duplicate(ledger: Ledger) -> None:
    same = [
        refusal(refused_at="2025-03-01T10:00Z"),
        refusal(refused_at="2025-03-01T11:00:00+01:00"),
        refusal(refused_at=" 2025-03-01 10:00Z "),
    ]
    assert counts(ledger.give(trailers=[trailer()], refusals=same), "refusals") == (1, 2, 0, 0)
    assert ledger.current("refusals", "refused_at") == [(datetime(2025, 3, 1, 10),)]


def test_the_same_row_again_in_another_file_is_a_duplicate(ledger: Ledger) -> None:
    result = ledger.give(
        trailers=[trailer()], refusals=[refusal(), refusal("F2")], more=[refusal("F2"), refusal("F3")]
    )
    assert counts(result, "more") == (2, 0, 0, 0)
    assert counts(result, "refusals") == (1, 1, 0, 0)


def test_the_same_row_again_in_a_later_ingest_is_a_duplicate(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal()])
    result = ledger.give(refusals=[refusal(), refusal("F2")])
    assert counts(result) == (1, 1, 0, 0)
    assert ledger.history("refusals", "refusal_id") == [("F1", 1, None), ("F2", 3, None)]


def test_a_row_that_fails_is_set_aside_once(ledger: Ledger) -> None:
    bad = refusal(trailer_id="nobody")
    assert counts(ledger.give(refusals=[bad, bad])) == (0, 1, 0, 1)
    assert counts(ledger.give(refusals=[bad, refusal("F2", trailer_id="nobody")])) == (0, 1, 0, 1)
    text = "refusal_id,trailer_id,refused_at\nF9,A\n"
    assert counts(ledger.give(refusals=text)) == (0, 0, 0, 1)
    assert counts(ledger.give(refusals=text + "\n")) == (0, 1, 0, 0)


@pytest.mark.parametrize("name", ["refusals", "another name"])
def test_the_same_file_again_changes_nothing(ledger: Ledger, name: str) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal(), refusal("F2", trailer_id="B")])
    before = dump(ledger.store, SCHEMAS)
    result = ledger.give(**{name: [refusal(), refusal("F2", trailer_id="B")]})
    assert [(f.read_before, f.rows, f.duplicate) for f in result.files] == [(True, 2, 2)]
    assert not result.changed
    assert dump(ledger.store, SCHEMAS) == before


def test_the_same_file_twice_in_one_ingest_is_read_once(ledger: Ledger) -> None:
    result = ledger.give(trailers=[trailer()], again=[trailer()])
    assert sorted((f.read_before, f.accepted, f.duplicate) for f in result.files) == [
        (False, 1, 0),
        (True, 0, 1),
    ]


# --- corrections -------------------------------------------------------------------------------------------------


def test_a_later_row_of_the_key_corrects_and_the_old_one_is_kept(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal(lane="1"), refusal("F2")])
    assert counts(ledger.give(refusals=[refusal(lane="2")])) == (0, 0, 1, 0)
    assert counts(ledger.give(refusals=[refusal(lane="3")])) == (0, 0, 1, 0)
    assert ledger.history("refusals", "refusal_id, lane") == [
        ("F1", "1", 1, 3),
        ("F2", "1", 1, None),
        ("F1", "2", 3, 4),
        ("F1", "3", 4, None),
    ]
    assert ledger.current("refusals", "refusal_id, lane") == [("F1", "3"), ("F2", "1")]


def test_a_correction_back_is_one_too(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal(lane="1")])
    ledger.give(refusals=[refusal(lane="2")])
    assert counts(ledger.give(refusals=[refusal(lane="1"), refusal("F2")])) == (1, 0, 1, 0)
    assert ledger.current("refusals", "lane") == [("1",), ("1",)]


@pytest.mark.parametrize("told_by", ["loaded_on", "loaded_at", "loaded_at as a day"])
def test_what_a_later_log_says_of_the_first_and_last_of_days_on_record(ledger: Ledger, told_by: str) -> None:
    """And of days before, between and after them, however a log tells when: each alone, and all together."""

    def lines(days: tuple[int, ...], loads: int) -> list[dict[str, object]]:
        hour = "" if told_by != "loaded_at" else "T10:00Z"
        column = told_by.removesuffix(" as a day")
        return [
            load_line(loads=loads) | {"loaded_on": None, column: f"2025-03-{day:02}{hour}"} for day in days
        ]

    days = (2, 4, 6)
    ledger.give(trailers=[trailer()], loads=lines(days, 1))
    for number, day in enumerate(days, start=2):
        assert counts(ledger.give(loads=lines((day,), 1))) == (0, 1, 0, 0)
        assert counts(ledger.give(loads=lines((day,), number))) == (0, 0, 1, 0)
    assert counts(ledger.give(loads=lines((1,), 1))) == (1, 0, 0, 0)
    assert counts(ledger.give(loads=lines((7,), 1))) == (1, 0, 0, 0)
    assert counts(ledger.give(loads=lines((3, 5), 1))) == (2, 0, 0, 0)
    assert counts(ledger.give(loads=lines((1, 2, 3, 4, 8), 3))) == (1, 1, 3, 0)
    assert [n for (n,) in ledger.current("loads", "loads")] == [1, 1, 3, 3, 3, 3, 3, 4]


def test_null_equals_null_in_a_key(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], loads=[load_line(lane=None, loads=3)])
    assert counts(ledger.give(loads=[load_line(lane=None, loads=4)])) == (0, 0, 1, 0)
    assert counts(ledger.give(loads=[load_line(lane=None, loads=4), load_line(lane="1", loads=4)])) == (
        1,
        1,
        0,
        0,
    )


@pytest.mark.parametrize("apart", [False, True], ids=["one file", "two files"])
def test_two_versions_in_one_ingest_are_both_set_aside(ledger: Ledger, apart: bool) -> None:
    one, other, well = refusal(lane="1"), refusal(lane="2"), refusal("F2")
    tables = {"refusals": [one], "more": [other, well]} if apart else {"refusals": [one, other, well]}
    result = ledger.give(trailers=[trailer()], **tables)
    assert sum(f.quarantined for f in result.files) == 2
    assert sorted(ledger.waiting("refusals", "lane")) == [("1", ["id_once"]), ("2", ["id_once"])]
    assert ledger.current("refusals", "refusal_id") == [("F2",)]

    assert ledger.give(returns="serial,result\n").waiting == 2, "they still disagree"
    result = ledger.give(refusals=[refusal(lane="2", stage="before_flow")])
    assert counts(result) == (1, 0, 0, 0)
    assert (result.left_waiting, ledger.left("refusals")) == (2, ["mended", "mended"])


def test_two_versions_do_not_touch_what_is_accepted(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal(lane="1")])
    assert counts(ledger.give(refusals=[refusal(lane="2"), refusal(lane="3")])) == (0, 0, 0, 2)
    assert ledger.current("refusals", "lane") == [("1",)]
    assert counts(ledger.give(refusals=[refusal(lane="3"), refusal("F2")])) == (1, 0, 1, 0)
    assert ledger.left("refusals") == ["mended", "duplicate"]


def test_a_contradiction_told_again_takes_the_place_of_the_old_one(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal(lane="1"), refusal(lane="2")])
    result = ledger.give(refusals=[refusal(lane="1"), refusal(lane="3")])
    assert (counts(result), result.waiting) == ((0, 0, 0, 2), 2)
    assert ledger.give(returns="serial,result\n").waiting == 2, "neither of them stands alone"
    assert ledger.waiting("refusals", "lane") == [("1", ["id_once"]), ("3", ["id_once"])]


def test_a_version_that_fails_does_not_take_the_place_of_the_one_it_stood_beside(ledger: Ledger) -> None:
    both = [refusal(), refusal(trailer_id="B")]
    assert counts(ledger.give(trailers=[trailer()], refusals=both), "refusals") == (1, 0, 0, 1)
    ledger.give(trailers=[trailer("B")])
    assert ledger.current("refusals", "trailer_id") == [("A",)]
    assert ledger.waiting("refusals", "trailer_id") == [("B", ["id_once"])]


def test_a_column_that_a_later_file_lacks_stays_as_it_was(ledger: Ledger) -> None:
    ledger.give(
        trailers=[trailer(fleet="Heron", out_of_service_on="2026-01-01")],
        refusals=[refusal(lane="1", delay_min=30, reason="ground", released_at="2025-03-02")],
    )
    shorter = {name: refusal()[name] for name in ("refusal_id", "trailer_id", "refused_at")}
    assert counts(ledger.give(refusals=[shorter])) == (0, 1, 0, 0), "it says nothing new"
    later = shorter | {"refused_at": "2025-03-01T11:00Z"}
    assert counts(ledger.give(refusals=[later])) == (0, 0, 1, 0)
    told = "refused_at, lane, delay_min, reason, released_at, released_at_until"
    moved = (datetime(2025, 3, 1, 11), "1", 30, "ground", datetime(2025, 3, 2), datetime(2025, 3, 3))
    assert ledger.current("refusals", told) == [moved]
    assert counts(ledger.give(refusals=[later | {"lane": None}])) == (0, 0, 1, 0), (
        "an empty cell says not known"
    )
    assert ledger.current("refusals", "lane, delay_min") == [(None, 30)]
    spell = {name: trailer()[name] for name in ("trailer_id", "in_service_on")} | {"positions": 5}
    assert counts(ledger.give(trailers=[spell])) == (0, 0, 1, 0)
    found = ledger.current("trailers", "positions, fleet, out_of_service_on")
    assert found == [(5, "Heron", date(2026, 1, 1))]


def test_what_stays_is_judged_with_what_is_said_anew(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer(), trailer("B", positions=2)], refusals=[refusal(indicated_position=4)])
    assert counts(ledger.give(refusals=[refusal(trailer_id="B")])) == (0, 0, 0, 1)
    assert ledger.waiting("refusals", "indicated_position") == [(None, ["indicated_position_exists"])]
    assert ledger.current("refusals", "trailer_id") == [("A",)]
    ledger.give(trailers=[trailer("B", positions=5)])
    assert ledger.current("refusals", "trailer_id, indicated_position") == [("B", 4)]


def test_what_was_taken_back_does_not_come_back_by_a_column_that_lacks(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal(delay_min=30)])
    gone = {"refusal_id": "F1", "trailer_id": None, "refused_at": None, "withdrawn": "yes"}
    assert counts(ledger.give(refusals=[gone])) == (0, 0, 1, 0)
    assert counts(ledger.give(refusals=[gone, gone])) == (0, 2, 0, 0)
    assert counts(ledger.give(refusals=[refusal()])) == (0, 0, 1, 0)
    assert ledger.current("refusals", "lane, delay_min") == [("1", None)]


def test_a_line_break_in_a_cell_is_the_same_whatever_ends_the_lines(ledger: Ledger) -> None:
    header, row = "repair_id,trailer_id,received_at,note", 'R1,A,2025-03-01,"two\nlines"'
    ledger.give(trailers=[trailer()], repairs=f"{header}\n{row}\n")
    windows = f"{header}\n{row}\nR2,A,2025-03-02,\n".replace("\n", "\r\n")
    assert counts(ledger.give(repairs=windows)) == (1, 1, 0, 0)
    assert ledger.current("repairs", "note") == [("two\nlines",), (None,)]


def test_a_number_with_too_many_decimals_is_told(ledger: Ledger) -> None:
    rows = [
        refusal(delay_min="1.1234567"),
        refusal("F2", delay_min="1.123456"),
        refusal("F3", delay_min="1e3"),
    ]
    assert counts(ledger.give(trailers=[trailer()], refusals=rows), "refusals") == (1, 0, 0, 2)
    with opened(ledger.store) as con:
        told = {reason.reason: reason.text for reason in by_reason(con)}
    assert told == {
        "delay_min_reads": "delay_min reads as a number with a decimal point, at most 11 digits before it and 6 after it"
    }


# --- withdrawn -----------------------------------------------------------------------------------------------------


def taken_back(name: str = "F1") -> dict[str, Any]:
    return {"refusal_id": name, "trailer_id": None, "refused_at": None, "withdrawn": "yes"}


def test_a_withdrawn_row_is_gone_and_kept(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal(), refusal("F2")])
    assert counts(ledger.give(refusals=[taken_back()])) == (0, 0, 1, 0)
    assert ledger.current("refusals", "refusal_id") == [("F2",)]
    assert ledger.history("refusals", "refusal_id, withdrawn")[0] == ("F1", None, 1, 3)
    assert counts(ledger.give(refusals=[taken_back(), refusal("F3")])) == (1, 1, 0, 0)
    assert counts(ledger.give(refusals=[refusal()])) == (0, 0, 1, 0), "said again, it is back"
    assert ledger.current("refusals", "refusal_id") == [("F1",), ("F2",), ("F3",)]


def test_withdrawing_the_unknown_waits(ledger: Ledger) -> None:
    assert counts(ledger.give(trailers=[trailer()], refusals=[taken_back()]), "refusals") == (0, 0, 0, 1)
    assert ledger.waiting("refusals", "refusal_id") == [("F1", ["withdraws_known"])]
    assert counts(ledger.give(refusals=[refusal()])) == (1, 0, 0, 0)
    assert ledger.left("refusals") == ["mended"]


def test_withdrawing_what_waits_clears_it(ledger: Ledger) -> None:
    ledger.give(refusals=[refusal(trailer_id="nobody"), refusal("F2", trailer_id="nobody")])
    result = ledger.give(refusals=[taken_back()])
    assert (counts(result), result.waiting) == ((1, 0, 0, 0), 1)
    ledger.give(trailers=[trailer("nobody")])
    assert ledger.current("refusals", "refusal_id") == [("F2",)]


def test_withdrawing_in_the_file_that_says_it_is_a_contradiction(ledger: Ledger) -> None:
    result = ledger.give(trailers=[trailer()], refusals=[refusal() | {"withdrawn": None}, taken_back()])
    assert counts(result, "refusals") == (0, 0, 0, 2)
    assert [why for _, why in ledger.waiting("refusals", "refusal_id")] == [["id_once"]] * 2


def test_a_row_that_withdraws_still_needs_its_key(ledger: Ledger) -> None:
    result = ledger.give(
        refusals=[taken_back() | {"refusal_id": None}, taken_back() | {"withdrawn": "maybe"}]
    )
    assert counts(result) == (0, 0, 0, 2)
    no_key, no_word = ledger.waiting("refusals", "refusal_id")
    assert no_key == (None, ["refusal_id_given"])
    assert "withdrawn_reads" in no_word[1]


def test_a_load_of_no_day_is_not_taken_back_by_another(ledger: Ledger) -> None:
    """Its key has a day or a time; nothing tells that two lines without one mean the same load."""
    no_day = load_line(loaded_on=None, loads=2)
    ledger.give(trailers=[trailer()], loads=[load_line(loads=1)])
    assert counts(ledger.give(loads=[no_day])) == (0, 0, 0, 1)
    assert counts(ledger.give(loads=[no_day | {"withdrawn": "yes"}])) == (0, 0, 0, 1)
    assert counts(ledger.give(loads=[no_day | {"loads": 3}])) == (0, 0, 0, 1)
    assert counts(ledger.give(loads=[no_day])) == (0, 1, 0, 0)
    assert ledger.waiting("loads", "loads") == [(n, ["moment_given"]) for n in ("2", "2", "3")]
    assert ledger.current("loads", "loads") == [(1,)]


# --- waiting ---------------------------------------------------------------------------------------------------------


def test_a_row_waits_with_file_line_text_and_every_reason(ledger: Ledger) -> None:
    text = (
        "refusal_id,trailer_id,refused_at,reason,indicated_position\r\n"
        "F1,A,2025-03-01T10:00Z,ground,\r\n"
        "\r\n"
        'F2,B,2025-02-30T10:00Z,"flat\r\ntyre",13\r\n'
        "F3,A,2025-03-01T10:00Z,,5\r\n"
        "F4,A\r\n"
    )
    assert counts(ledger.give(trailers=[trailer()], refusals=text), "refusals") == (1, 0, 0, 3)
    found = query(
        ledger.store,
        "select b.file, w.line, w.raw, w.reasons from waiting.refusals w join record.batches b"
        " on b.batch_id = w.read_in order by w.line",
    )
    assert found == [
        (
            "delivery1/refusals.csv", 4, 'F2,B,2025-02-30T10:00Z,"flat\ntyre",13',
            ["refused_at_reads", "reason_listed", "indicated_position_in_range", "trailer_known"],
        ),
        ("delivery1/refusals.csv", 6, "F3,A,2025-03-01T10:00Z,,5", ["indicated_position_exists"]),
        ("delivery1/refusals.csv", 7, "F4,A", ["line_whole"]),
    ]  # fmt: skip
    assert query(ledger.store, "select line, raw from accepted.refusals") == [
        (2, "F1,A,2025-03-01T10:00Z,ground,")
    ]


def test_a_row_is_accepted_when_what_it_lacked_arrives(ledger: Ledger) -> None:
    result = ledger.give(refusals=[refusal()], repairs=[repair()], loads=[load_line(loads=2)])
    assert (result.waiting, result.left_waiting) == (3, 0)
    assert ledger.waiting("repairs", "repair_id") == [("R1", ["trailer_known"])]
    result = ledger.give(trailers=[trailer(positions=5)])
    assert (result.waiting, result.left_waiting) == (0, 3)
    assert ledger.left("refusals") == ["accepted"]
    assert ledger.history("refusals", "refusal_id, line, raw, read_in") == [
        ("F1", 2, "F1,A,2025-03-01T10:00Z,1", 2, 4, None)
    ]
    assert ledger.current("loads", "loads") == [(2,)]


def test_reasons_are_those_of_today(ledger: Ledger) -> None:
    ledger.give(refusals=[refusal(indicated_position=5, refused_at="2019-01-01T00:00Z")])
    assert ledger.waiting("refusals", "refusal_id") == [("F1", ["trailer_known"])]
    ledger.give(trailers=[trailer()])
    assert ledger.waiting("refusals", "refusal_id") == [("F1", ["in_service"])]
    ledger.give(trailers=[trailer(in_service_on="2018-01-01", out_of_service_on="2020-01-01")])
    assert ledger.waiting("refusals", "refusal_id") == [("F1", ["indicated_position_exists"])]


@pytest.mark.parametrize("name", ["0", "zzz"])
def test_the_order_of_the_files_of_a_call_does_not_matter(ledger: Ledger, name: str) -> None:
    result = ledger.give(**{name: [trailer()], "repairs": [repair(refusal_id="F1")], "refusals": [refusal()]})
    assert sum(f.accepted for f in result.files) == 3


def test_a_mended_row_leaves(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal(reason="grund"), refusal("F2", reason="grund")])
    result = ledger.give(refusals=[refusal(reason="ground")])
    assert (counts(result), result.waiting, result.left_waiting) == ((1, 0, 0, 0), 1, 1)
    assert ledger.left("refusals") == ["mended"]
    assert ledger.waiting("refusals", "refusal_id") == [("F2", ["reason_listed"])]


def test_a_failed_correction_leaves_the_old_row_and_leaves_when_the_old_is_said_again(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal()])
    assert counts(ledger.give(refusals=[refusal(trailer_id="B")])) == (0, 0, 0, 1)
    assert ledger.current("refusals", "trailer_id") == [("A",)]
    result = ledger.give(refusals=[refusal(), refusal("F2")])
    assert (counts(result), result.waiting) == ((1, 1, 0, 0), 0)
    ledger.give(trailers=[trailer("B")])
    assert ledger.current("refusals", "trailer_id") == [("A",), ("A",)]


def test_the_latest_word_stands_whenever_it_comes_to_pass(ledger: Ledger) -> None:
    ledger.give(refusals=[refusal(lane="1")])
    ledger.give(refusals=[refusal(lane="2")])
    ledger.give(trailers=[trailer()])
    assert ledger.current("refusals", "lane") == [("2",)]
    assert ledger.left("refusals") == ["superseded", "accepted"]


def test_the_latest_word_stands_though_it_was_said_before(ledger: Ledger) -> None:
    for lane in ("1", "2", "1"):
        ledger.give(
            **{f"refusals{ledger.deliveries}": [refusal(lane=lane), refusal(f"other{ledger.deliveries}")]}
        )
    ledger.give(trailers=[trailer()])
    assert ("F1", "1") in ledger.current("refusals", "refusal_id, lane")
    assert ledger.waiting("refusals", "lane") == []


def test_a_later_word_that_passes_later_corrects(ledger: Ledger) -> None:
    ledger.give(refusals=[refusal(trailer_id="A")])
    ledger.give(refusals=[refusal(trailer_id="B")])
    ledger.give(trailers=[trailer("A")])
    assert ledger.current("refusals", "trailer_id") == [("A",)]
    ledger.give(trailers=[trailer("B")])
    assert ledger.current("refusals", "trailer_id") == [("B",)]


def test_an_earlier_word_that_passes_later_is_superseded(ledger: Ledger) -> None:
    ledger.give(refusals=[refusal(trailer_id="B")], trailers=[trailer("A")])
    ledger.give(refusals=[refusal(trailer_id="A")])
    ledger.give(trailers=[trailer("B")])
    assert ledger.current("refusals", "trailer_id") == [("A",)]
    assert ledger.waiting("refusals", "trailer_id") == []


# --- accepted, and then not --------------------------------------------------------------------------------------


def test_rows_fall_when_their_trailer_is_corrected_and_come_back(ledger: Ledger) -> None:
    ledger.give(
        trailers=[trailer(positions=5)],
        refusals=[refusal(indicated_position=5), refusal("F2", indicated_position=4)],
        repairs=[
            repair(
                found_position=5,
                refusal_id="F1",
                returned_at="2025-03-02",
                supply_volts="12.5",
                warranty="yes",
            )
        ],
    )
    before = {t: ledger.current(t, "* exclude (batch_id)") for t in ("refusals", "repairs")}
    result = ledger.give(trailers=[trailer(positions=4)])
    assert (counts(result), result.fell, result.waiting) == ((0, 0, 1, 0), 2, 2)
    assert ledger.waiting("refusals", "refusal_id, line") == [("F1", 2, ["indicated_position_exists"])]
    assert ledger.waiting("repairs", "repair_id") == [("R1", ["found_position_exists"])]
    assert ledger.current("refusals", "refusal_id") == [("F2",)]

    result = ledger.give(trailers=[trailer(positions=6)])
    assert (result.fell, result.waiting, result.left_waiting) == (0, 0, 2)
    assert {t: ledger.current(t, "* exclude (batch_id)") for t in ("refusals", "repairs")} == before
    assert [row[-2:] for row in ledger.history("refusals", "refusal_id")] == [(1, 4), (1, None), (5, None)]


def test_rows_fall_when_their_trailer_is_withdrawn(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()], refusals=[refusal()], loads=[load_line()] * 3)
    result = ledger.give(trailers=[trailer(positions=None) | {"withdrawn": "yes"}])
    assert (result.fell, result.waiting) == (2, 2)
    assert ledger.waiting("loads", "loads") == [("3", ["trailer_known"])]
    result = ledger.give(trailers=[trailer(positions=6)])
    assert (result.waiting, ledger.current("loads", "loads")) == (0, [(3,)])


def test_a_repair_falls_when_the_refusal_it_names_turns_out_to_be_of_another_trailer(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer("A"), trailer("B")], repairs=[repair(refusal_id="F1"), repair("R2")])
    result = ledger.give(refusals=[refusal(trailer_id="B")])
    assert (result.fell, ledger.waiting("repairs", "repair_id")) == (1, [("R1", ["refusal_of_trailer"])])
    ledger.give(refusals=[refusal(trailer_id="A")])
    assert ledger.current("repairs", "repair_id") == [("R1",), ("R2",)]


def test_a_row_that_falls_is_mended_in_the_same_ingest(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer(positions=5)], refusals=[refusal(indicated_position=5)])
    result = ledger.give(trailers=[trailer(positions=4)], refusals=[refusal(indicated_position=4)])
    assert (result.fell, result.waiting, result.left_waiting) == (1, 0, 1)
    assert ledger.current("refusals", "indicated_position") == [(4,)]


# --- spells ----------------------------------------------------------------------------------------------------------


def spell(first: str, end: str | None, **cells: Any) -> dict[str, Any]:
    return trailer(in_service_on=f"{first}-01-01", out_of_service_on=end and f"{end}-01-01", **cells)


def years(ledger: Ledger) -> list[tuple[int, int | None]]:
    return [(a.year, b and b.year) for a, b in ledger.current("trailers", "in_service_on, out_of_service_on")]


def test_spells_that_touch_are_apart(ledger: Ledger) -> None:
    other = spell("2023", None, trailer_id="B")
    assert counts(
        ledger.give(trailers=[spell("2020", "2022"), spell("2022", None), spell("2018", "2020"), other])
    ) == (4, 0, 0, 0)


def test_a_spell_that_overlaps_an_accepted_one_waits(ledger: Ledger) -> None:
    ledger.give(trailers=[spell("2020", None)])
    assert counts(ledger.give(trailers=[spell("2022", None), spell("2018", "2020")])) == (1, 0, 0, 1)
    assert ledger.waiting("trailers", "in_service_on") == [("2022-01-01", ["spells_apart"])]
    result = ledger.give(trailers=[spell("2020", "2022")])
    assert (counts(result), result.waiting, years(ledger)) == (
        (0, 0, 1, 0),
        0,
        [(2018, 2020), (2020, 2022), (2022, None)],
    )


def test_a_sale_in_one_ingest_closes_the_old_spell_and_opens_the_new(ledger: Ledger) -> None:
    ledger.give(trailers=[spell("2020", None, fleet="old")])
    assert counts(
        ledger.give(trailers=[spell("2024", None, fleet="new"), spell("2020", "2024", fleet="old")])
    ) == (1, 0, 1, 0)


def test_new_spells_that_overlap_are_all_set_aside(ledger: Ledger) -> None:
    assert counts(
        ledger.give(trailers=[spell("2020", "2023"), spell("2022", "2025"), spell("2025", None)])
    ) == (1, 0, 0, 2)
    assert years(ledger) == [(2025, None)]
    result = ledger.give(trailers=[spell("2020", "2022")])
    assert (result.waiting, years(ledger)) == (0, [(2020, 2022), (2022, 2025), (2025, None)])


def test_a_spell_that_waits_does_not_stand_against_a_new_one(ledger: Ledger) -> None:
    ledger.give(trailers=[spell("2020", None)])
    ledger.give(trailers=[spell("2023", None)])
    assert counts(ledger.give(trailers=[spell("2020", "2022"), spell("2022", None)])) == (1, 0, 1, 0)
    assert years(ledger) == [(2020, 2022), (2022, None)]
    assert ledger.waiting("trailers", "in_service_on") == [("2023-01-01", ["spells_apart"])]


def test_a_withdrawn_spell_makes_room(ledger: Ledger) -> None:
    ledger.give(trailers=[spell("2020", None)])
    ledger.give(trailers=[spell("2021", None)])
    ledger.give(trailers=[spell("2020", None, positions=None) | {"withdrawn": "yes"}])
    assert years(ledger) == [(2021, None)]


# --- loads -------------------------------------------------------------------------------------------------------------


def test_loads_without_the_column_are_added_up(ledger: Ledger) -> None:
    lines = [load_line(), load_line(), load_line(2), load_line(lane="2"), load_line()]
    assert counts(ledger.give(trailers=[trailer()], loads=lines), "loads") == (5, 0, 0, 0)
    assert ledger.current("loads", "loaded_on, lane, loads") == [
        (date(2025, 3, 1), "1", 3),
        (date(2025, 3, 1), "2", 1),
        (date(2025, 3, 2), "1", 1),
    ]


def test_loads_with_the_column_are_said_once(ledger: Ledger) -> None:
    lines = [
        load_line(loads=2),
        load_line(loads=2),
        load_line(2, loads=1),
        load_line(2, loads=3),
        load_line(3, loads=None),
    ]
    assert counts(ledger.give(trailers=[trailer()], loads=lines), "loads") == (2, 1, 0, 2)
    assert ledger.current("loads", "loads") == [(1,), (2,)]


@pytest.mark.parametrize(("lines", "told"), [(3, (0, 3, 0, 0)), (2, (0, 0, 2, 0)), (4, (0, 0, 4, 0))])
def test_a_later_file_says_anew_how_many_loads_there_were(
    ledger: Ledger, lines: int, told: tuple[int, ...]
) -> None:
    ledger.give(trailers=[trailer()], loads=[load_line()] * 3)
    result = ledger.give(loads=[*[load_line()] * lines, load_line(2)])
    assert counts(result) == (told[0] + 1, *told[1:])
    assert ledger.current("loads", "loads")[-1] == (lines,) if lines > 1 else (1,)


@pytest.mark.parametrize("lines", [2, 3, 4])
def test_a_later_file_says_anew_while_the_lines_wait(ledger: Ledger, lines: int) -> None:
    ledger.give(loads=[load_line()] * 3)
    result = ledger.give(loads=[*[load_line()] * lines, load_line(2)])
    assert counts(result) == ((0, 3, 0, 1) if lines == 3 else (0, 0, 0, lines + 1))
    assert ledger.give(trailers=[trailer()]).waiting == 0
    assert ledger.current("loads", "loaded_on, loads") == [(date(2025, 3, 1), lines), (date(2025, 3, 2), 1)]


def test_two_files_that_count_a_day_differently_disagree(ledger: Ledger) -> None:
    result = ledger.give(
        trailers=[trailer()], loads=[load_line()] * 2 + [load_line(2)], more=[load_line()] * 3
    )
    assert (counts(result, "loads"), counts(result, "more")) == ((1, 0, 0, 2), (0, 0, 0, 3))
    assert [why for _, why in ledger.waiting("loads", "line")] == [["id_once"]] * 5
    assert counts(ledger.give(loads=[load_line()] * 3 + [load_line(3)])) == (4, 0, 0, 0)
    assert ledger.left("loads") == ["mended"] * 2 + ["duplicate"] * 3


def test_lines_that_add_up_and_one_that_withdraws_them_disagree(ledger: Ledger) -> None:
    lines = [load_line(withdrawn=None), load_line(withdrawn=None), load_line(withdrawn="yes")]
    assert counts(ledger.give(trailers=[trailer()], loads=lines), "loads") == (0, 0, 0, 3)


def test_loads_that_fail_are_set_aside_line_by_line(ledger: Ledger) -> None:
    lines = [
        load_line(),
        load_line(trailer_id="B"),
        load_line(),
        load_line(trailer_id="B"),
        load_line(loaded_on=None),
    ]
    assert counts(ledger.give(trailers=[trailer()], loads=lines), "loads") == (2, 0, 0, 3)
    assert ledger.waiting("loads", "line") == [
        (3, ["trailer_known"]),
        (5, ["trailer_known"]),
        (6, ["moment_given"]),
    ]
    ledger.give(trailers=[trailer("B")])
    assert ledger.current("loads", "trailer_id, loads") == [("A", 2), ("B", 2)]


# --- all or nothing -----------------------------------------------------------------------------------------------------


def test_nothing_is_kept_where_one_file_of_many_is_none(ledger: Ledger) -> None:
    ledger.give(trailers=[trailer()])
    before = ledger.store.read_bytes()
    folder = write_csv(ledger.folder / "bad", "refusals", [refusal()]).parent
    (folder / "x.csv").write_text("what,is,this\n")
    with pytest.raises(DataError):
        load(ledger.store, folder)
    assert ledger.store.read_bytes() == before
    with pytest.raises(DataError):
        load(ledger.folder / "new.duckdb", folder)
    assert not list(ledger.folder.glob("new*"))


def test_a_file_that_changes_while_it_is_read_is_refused(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger.give(trailers=[trailer()])
    before = dump(ledger.store, SCHEMAS)
    path = write_csv(ledger.folder / "in", "refusals", [refusal()])
    moments = iter((1, 2))

    def slowly(*arguments: Any) -> Any:
        done = reconcile(*arguments)
        os.utime(path, (0, next(moments)))
        return done

    monkeypatch.setattr("repermit.ingest.run.reconcile", slowly)
    for store in (ledger.store, ledger.folder / "new.duckdb"):
        with pytest.raises(DataError, match=r"in/refusals\.csv: the file changed while it was read"):
            load(store, path.parent)
    assert dump(ledger.store, SCHEMAS) == before
    assert not list(ledger.folder.glob("new*"))


@pytest.mark.parametrize(
    ("system", "named", "admitted"),
    [("two_wire", 8, True), ("two_wire", 9, False), ("five_wire", 6, False), (None, 6, False)],
)
def test_a_two_wire_tester_may_name_a_channel_that_the_trailer_lacks(
    ledger: Ledger, system: str | None, named: int, admitted: bool
) -> None:
    """The dummy that stands for it; where the fault was found must be on the trailer all the same."""
    rows = [
        repair("R1", indicated_position=named, found_position=0),
        repair("R2", indicated_position=2, found_position=6),
    ]
    ledger.give(
        trailers=[trailer(positions=5, system=system)],
        refusals=[refusal(indicated_position=named)],
        repairs=rows,
    )
    aside = [("R2", ["found_position_exists"])]
    assert ledger.waiting("repairs", "repair_id") == (
        aside if admitted else [("R1", ["indicated_position_exists"]), *aside]
    )
    assert ledger.waiting("refusals", "refusal_id") == (
        [] if admitted else [("F1", ["indicated_position_exists"])]
    )


def test_what_is_added_to_a_store_is_written_in_blocks_that_threads_can_share(tmp_path: Path) -> None:
    """So that small tables are not left to one of them; whoever opens the store otherwise reads the same."""
    path = tmp_path / "store.duckdb"
    for name, few in (("many", False), ("little", True)):
        con = connect(path, few=few)
        con.execute(f"create table {name} as select range as i from range(100000)")
        con.close()
    con = connect(path, read_only=True)
    blocks, rows = (
        "select count(distinct row_group_id) from pragma_storage_info('{}')",
        "select count(*), sum(i) from {}",
    )
    assert [con.execute(blocks.format(name)).fetchone() for name in ("many", "little")] == [(1,), (7,)]
    assert con.execute(rows.format("many")).fetchone() == con.execute(rows.format("little")).fetchone()
    con.close()


def test_an_as_of_join_is_never_done_row_by_row(tmp_path: Path) -> None:
    """However few rows the engine expects on its left: it may expect 40 where 25,000 come."""
    con = connect(tmp_path / "s.duckdb")
    con.execute("create table a as select 1 as x")
    con.execute("create table b as select range as x from range(1000)")
    plan = "".join(row[1] for row in rows(con, "explain select * from a asof join b on a.x >= b.x"))
    con.close()
    assert "ASOF" in plan.upper() and "NESTED" not in plan.upper(), plan
