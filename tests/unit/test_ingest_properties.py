"""Reconciliation of random deliveries, against a slow one that reads with the csv module and decides in plain Python.

The table is `returns`: its rows need no other table, so that one page of Python can say what becomes of each.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reconciled import broken
from repermit.contract import BY_NAME
from repermit.ingest import files
from repermit.ingest.pace import Pace
from repermit.ingest.reconcile import Counts, reconcile
from repermit.settings import Settings
from repermit.warehouse import Connection, connect, make_schema, rows
from test_files import alike, reference

RETURNS = BY_NAME["returns"]
RESULTS = ("confirmed", "no_fault_found")
QUICK = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


# --- random deliveries -------------------------------------------------------------------------------------------

NOTHING_ODD = st.characters(exclude_categories=["Cs"], exclude_characters="\0")
CELLS = st.text(st.sampled_from('aé𝄞 ,"\n\t;') | NOTHING_ODD, max_size=6)
SERIALS = st.sampled_from(["S1", "S2", " S1 ", "S3", "S3", "", "x" * 201]) | CELLS
RESULT_CELLS = st.sampled_from([*RESULTS, *RESULTS, "Confirmed", "", " confirmed"]) | CELLS
LOTS = st.sampled_from(["", "L1", "L2", '"', "a\nb"]) | CELLS
ENDS = st.sampled_from(["\n", "\r\n", "\r"])


@st.composite
def lines(draw: st.DrawFn) -> str:
    """One line of the file, as a program writes it; one in six has too few or too many cells, or is blank."""
    cells = [draw(SERIALS), draw(RESULT_CELLS), draw(LOTS)]
    how = draw(st.integers(0, 11))
    if how == 0:
        return ""
    if how == 1:
        cells = cells[: draw(st.integers(1, 2))] if draw(st.booleans()) else [*cells, draw(CELLS), ""]
    out = io.StringIO()
    csv.writer(
        out, quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])), lineterminator=""
    ).writerow(cells)
    return out.getvalue()


@st.composite
def deliveries(draw: st.DrawFn) -> str:
    """The text of a file: a header, lines, maybe a quote that stays open, a mark, no final line end."""
    end = draw(ENDS)
    body = [line.replace("\r", "\n").replace("\n", end) for line in draw(st.lists(lines(), max_size=8))]
    if draw(st.integers(0, 9)) == 0:
        body.append('S9,"confirmed,L1')
    text = end.join(["serial,result,part_lot", *body]) + (end if draw(st.booleans()) else "")
    return ("\ufeff" if draw(st.booleans()) else "") + text


# --- the slow reconciliation ----------------------------------------------------------------------------------------

Texts = tuple[str | None, str | None, str | None]


@dataclass
class Waiting:
    """A row that waits: its cells (none of a broken line), its line as read, and why."""

    said_in: int
    raw: str
    texts: Texts | None
    reasons: list[str]


@dataclass
class Slow:
    """Deliveries one after the other; `current` is what is accepted, by serial."""

    current: dict[str, tuple[str | None, str | None]] = field(default_factory=dict)
    waiting: list[Waiting] = field(default_factory=list)
    said: int = 0

    def give(self, text: str) -> Counts:
        self.said += 1
        whole, torn = reference(text if text.count("\r") == text.count("\r\n") else alike(text))
        cells: list[tuple[str, Texts]] = [(raw, tuple(trimmed(c) for c in row)) for _, raw, row in whole]  # type: ignore[misc]
        count = Counter(rows=len(whole) + len(torn))
        fine = [texts for _, texts in cells if not reasons(texts)]
        says = {serial: {t[1:] for t in fine if t[0] == serial} for serial in {t[0] for t in fine}}
        before = list(self.waiting)
        set_aside: list[Waiting] = []
        done: set[Texts] = set()
        for raw, texts in cells:
            why = reasons(texts) or (["id_once"] if len(says[texts[0]]) > 1 else [])
            if texts in done:
                count["duplicate"] += 1
            elif why:
                again = why != ["id_once"] and self.waits(texts, why, before)
                count["duplicate" if again else "quarantined"] += 1
                if not again:
                    set_aside.append(Waiting(self.said, raw, texts, why))
            else:
                count[self.accept(texts)] += 1
            done.add(texts)
        for _, raw in torn:
            again = any(w.texts is None and w.raw == raw for w in before)
            count["duplicate" if again else "quarantined"] += 1
            if not again:
                set_aside.append(Waiting(self.said, raw, None, ["line_whole"]))
        self.waiting = [w for w in before if not self.leaves(w, says)] + set_aside
        return Counts(
            *(count[name] for name in ("rows", "accepted", "duplicate", "corrected", "quarantined"))
        )

    def accept(self, texts: Texts) -> str:
        serial, said = texts[0], texts[1:]
        assert serial is not None
        fate = (
            "accepted"
            if serial not in self.current
            else "duplicate"
            if self.current[serial] == said
            else "corrected"
        )
        self.current[serial] = said
        return fate

    @staticmethod
    def waits(texts: Texts, why: list[str], before: list[Waiting]) -> bool:
        """Whether the row waits already, as the last word about its serial."""
        of_key = [w for w in before if w.texts is not None and w.texts[0] == texts[0]]
        if not {"serial_given", "serial_reads"} & set(why):
            of_key = [w for w in of_key if w.said_in == of_key[-1].said_in]
        return any(w.texts == texts for w in of_key)

    @staticmethod
    def leaves(w: Waiting, says: dict[str | None, set[Any]]) -> bool:
        """Whether a row that waits has been mended, or contradicted anew."""
        if w.texts is None or {"serial_given", "serial_reads"} & set(w.reasons):
            return False
        new = says.get(w.texts[0], set())
        return len(new) == 1 or (len(new) > 1 and w.reasons == ["id_once"])


def trimmed(cell: str | None) -> str | None:
    return cell.replace("\r\n", "\n").strip(" \t\r\n") or None if cell else None


def reasons(texts: Texts) -> list[str]:
    serial, result, lot = texts
    found = [] if serial else ["serial_given"]
    found += ["serial_reads"] if serial and not readable(serial) else []
    found += [] if result else ["result_given"]
    found += ["result_listed"] if result and result not in RESULTS else []
    found += ["part_lot_reads"] if lot and not readable(lot) else []
    return found


def readable(text: str) -> bool:
    return len(text) <= 200 and not any(ord(c) < 32 and c not in "\t\n\v\f\r" for c in text)


# --- both -------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def store() -> Iterator[Connection]:
    """A store in memory; each example is rolled back."""
    con = connect(Path(":memory:"))
    make_schema(con, Settings())
    yield con
    con.close()


def delivered(con: Connection, text: str, batch: int, folder: Path) -> Counts:
    """One delivery as ingest reconciles it; what it counts is booked as ingest books it."""
    path = folder / f"{batch}.csv"
    path.write_bytes(text.encode())
    (source,) = files.recognise(path, path.name, folder)
    counts = reconcile(con, RETURNS, {batch: source}, batch, Pace())[batch]
    con.execute(
        "insert into record.batches by name select ? as batch_id, ? as ingest_id, 'returns' as table_name,"
        " ['serial', 'result', 'part_lot'] as header, ? as rows, ? as accepted, ? as duplicate, ? as corrected,"
        " ? as quarantined",
        [batch, batch, counts.rows, counts.accepted, counts.duplicate, counts.corrected, counts.quarantined],
    )
    return counts


@QUICK
@given(texts=st.lists(deliveries(), min_size=1, max_size=3))
def test_random_deliveries_are_reconciled_as_the_slow_way_does(store: Connection, texts: list[str]) -> None:
    slow = Slow()
    store.execute("begin transaction")
    try:
        with TemporaryDirectory() as folder:
            for batch, text in enumerate(texts, start=1):
                counts = delivered(store, text, batch, Path(folder))
                assert counts == slow.give(text)
                assert (
                    counts.rows == counts.accepted + counts.duplicate + counts.corrected + counts.quarantined
                )
        accepted = rows(store, "select serial, result, part_lot from current.returns")
        waiting = rows(store, "select read_in, raw, reasons from waiting.returns where left_by is null")
        wrong = broken(store)
    finally:
        store.execute("rollback")
    assert {row[0]: row[1:] for row in accepted} == slow.current
    assert len(accepted) == len(slow.current)
    assert sorted((n, alike(raw), why) for n, raw, why in waiting) == sorted(
        (w.said_in, w.raw, w.reasons) for w in slow.waiting
    )
    assert not wrong


WILD = st.text(st.sampled_from('aS1,,""\n\r \t;') | NOTHING_ODD, max_size=80)


@settings(QUICK, max_examples=40)
@given(body=WILD, end=ENDS)
def test_whatever_follows_the_header_is_counted_and_nothing_breaks(
    store: Connection, body: str, end: str
) -> None:
    text = f"serial,result,part_lot{end}{body}"
    store.execute("begin transaction")
    try:
        with TemporaryDirectory() as folder:
            counts = delivered(store, text, 1, Path(folder))
        kept = rows(store, "select raw from accepted.returns union all select raw from waiting.returns")
        wrong = broken(store)
    finally:
        store.execute("rollback")
    assert counts.rows == counts.accepted + counts.duplicate + counts.corrected + counts.quarantined
    assert len(kept) == counts.accepted + counts.quarantined
    assert (counts.rows > 0) is any(alike(text).split("\n")[1:])
    assert not wrong
