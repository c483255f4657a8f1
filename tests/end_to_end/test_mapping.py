"""Exports of many shapes, read as a mapping says: each feature from bytes to what the store holds."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers import NOW, query, write_csv
from reconciled import broken, empty_store
from repermit.errors import CallError, DataError, RepermitError
from repermit.ingest.run import IngestResult, ingest
from repermit.mapping_file import load
from repermit.studies.records.quarantine import by_reason, set_aside
from repermit.warehouse import opened

TRAILERS = [{"trailer_id": t, "positions": 4, "in_service_on": "2020-01-01"} for t in ("A", "B", "TR-0012")]
REFUSALS = """
[[source]]
files = "log*"
{source}
[[source.table]]
name = "refusals"
[source.table.columns]
refusal_id = "no"
trailer_id = {trailer}
refused_at = {when}
{columns}
"""


@cache
def stocked() -> bytes:
    """A store with the trailers, made once: a copy costs less than making another."""
    with TemporaryDirectory() as name:
        store = Path(name) / "stocked.duckdb"
        ingest(store, [write_csv(Path(name), "trailers", TRAILERS)], now=NOW)
        return store.read_bytes()


class Desk:
    """A store with a few trailers, and a folder of exports with their mapping."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.store = folder, folder / "store.duckdb"
        self.inside = folder / "exports"
        self.inside.mkdir()
        self.store.write_bytes(stocked())

    def give(
        self, mapping: str, data: str | bytes | None = None, name: str = "log.csv", encoding: str = "utf-8"
    ) -> IngestResult:
        """One ingest of a file under a mapping; its counts must add up."""
        path = self.inside / name
        if data is not None:
            path.write_bytes(data if isinstance(data, bytes) else data.encode(encoding))
        (self.folder / "map.toml").write_text(mapping, encoding="utf-8")
        paths = [path] if data is not None else []
        result = ingest(self.store, paths, now=NOW, mapping=load(self.folder / "map.toml"))
        for file in result.files:
            assert file.rows == file.accepted + file.duplicate + file.corrected + file.quarantined
        return result

    def refusals(self, columns: str) -> list[tuple[Any, ...]]:
        """What is accepted now."""
        return query(self.store, f"select {columns} from current.refusals order by refusal_id")

    def waiting(self, table: str = "refusals") -> list[tuple[Any, ...]]:
        """Line, text as read and reasons of what waits."""
        with opened(self.store) as con:
            return [(r.line, r.raw, r.reasons) for r in set_aside(con) if r.table == table]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def mapped(source: str = "", trailer: str = '"trailer"', when: str = '"at"', columns: str = "") -> str:
    return REFUSALS.format(source=source, trailer=trailer, when=when, columns=columns)


@pytest.mark.parametrize(
    ("encoding", "written"),
    [("windows-1252", "cp1252"), ("latin-1", "latin-1"), ("utf-16", "utf-16"), ("utf-16-le", "utf-16-le"),
     ("utf-16-be", "utf-16-be"), ("utf-8", "utf-8-sig"), ("cp850", "cp850")],
)  # fmt: skip
def test_encodings(desk: Desk, encoding: str, written: str) -> None:
    text = "no;trailer;at;wo\n1;A;2025-03-01T10:00Z;Süd, Tor ½\n2;B;2025-03-01T11:00Z;Nord\n".replace(
        "\n", {"utf-8": "\r", "utf-16": "\r\n"}.get(encoding, "\n")
    )
    result = desk.give(
        mapped(f'encoding = "{encoding}"\ndelimiter = ";"', columns='terminal = "wo"'), text, encoding=written
    )
    assert [f.accepted for f in result.files] == [2]
    assert desk.refusals("refusal_id, terminal") == [("1", "Süd, Tor ½"), ("2", "Nord")]


def test_lines_above_the_header_and_the_line_numbers_of_the_file(desk: Desk) -> None:
    text = 'Report "refusals\n\n;;;\nno;trailer;at\n1;A;2025-03-01T10:00Z\n\n2;Z;2025-03-01T11:00Z\n3;B;x;x;x\n4;"A\n5";no\n'
    result = desk.give(mapped('skip_rows = 3\ndelimiter = ";"'), text)
    assert [(f.rows, f.accepted, f.quarantined) for f in result.files] == [(4, 1, 3)]
    assert desk.waiting() == [
        (7, "2;Z;2025-03-01T11:00Z", ("trailer_known",)),
        (8, "3;B;x;x;x", ("line_whole",)),
        (9, '4;"A\n5";no', ("refused_at_reads", "trailer_known")),
    ]


def column_of(desk: Desk, line: str, cells: list[str], column: str, source: str = "") -> list[Any]:
    """What a refusals column becomes, cell by cell; the rule that sets the row aside where it does not come in."""
    text = "no\ttrailer\tat\tx\n" + "".join(
        f"{i:02}\tA\t2025-03-01T10:00Z\t{c}\n" for i, c in enumerate(cells)
    )
    desk.give(mapped(f'delimiter = "\\t"\n{source}', columns=line), text)
    found = dict(desk.refusals(f"refusal_id, {column}"))
    aside = {raw[:2]: reasons for _, raw, reasons in desk.waiting()}
    return [found.get(f"{i:02}", *aside.get(f"{i:02}", [])) for i in range(len(cells))]


@pytest.mark.parametrize(
    ("source", "unit", "cells"),
    [
        ("", "", {"1.5": 1.5, "1,5": None}),
        ('decimal = ","', "", {"1,5": 1.5, "7": 7, "1.234,5": 1234.5, "1 234": 1234, "1.234": 1234, "1.5": None, "1,2,3": None, "x": None}),
        ('decimal = "."', "", {"1.5": 1.5, "1,234.5": 1234.5, "1'234": 1234, "1,5": None}),
        ("", "h", {"1.5": 90, "0.1": 6, "2 h": 120, "2H": 120, "-1": None, "1,5": None, "": None, "h": None}),
        ('decimal = ","', "h", {"1,5": 90, "2 h": 120, "1.5": None}),
        ("", "h:mm", {"1:30": 90, "0:05": 5, "100:00": 6000, "1:60": None, "90": 90}),
        ("", "s", {"90": 1.5, "1": 0.016667}),
        ("", "d", {"1": 1440}),
    ],
)  # fmt: skip
def test_numbers_and_units(desk: Desk, source: str, unit: str, cells: dict[str, float | None]) -> None:
    how = f', unit = "{unit}"' if unit else ""
    found = column_of(desk, f'delay_min = {{ header = "x"{how} }}', list(cells), "delay_min", source)
    for (cell, wanted), got in zip(cells.items(), found, strict=True):
        if wanted is None:
            assert got in (None, "delay_min_reads", "delay_min_in_range") and (got is None) == (cell == ""), (
                cell
            )
        else:
            assert float(got) == wanted, cell


BERLIN = 'zone = "Europe/Berlin"'


@pytest.mark.parametrize(
    ("source", "pattern", "cells"),
    [
        (BERLIN, "", {
            "2025-01-01T12:00": "2025-01-01 11:00:00", "2025-07-01 12:00:30": "2025-07-01 10:00:30",
            "2025-07-01T12:00Z": "2025-07-01 12:00:00", "2025-07-01": "2025-07-01 00:00:00",
            # the clocks went from 02:00 to 03:00 on 30 March 2025, and from 03:00 back to 02:00 on 26 October
            "2025-03-30T01:59:59": "2025-03-30 00:59:59", "2025-03-30T02:00": "released_at_real",
            "2025-03-30T02:59:59": "released_at_real", "2025-03-30T03:00": "2025-03-30 01:00:00",
            "2025-10-26T01:59:59": "2025-10-25 23:59:59", "2025-10-26T02:00": "released_at_once",
            "2025-10-26T02:59": "released_at_once", "2025-10-26T03:00": "2025-10-26 02:00:00",
            "nonsense": "released_at_reads",
        }),
        (f'{BERLIN}\nambiguous = "first"', "", {"2025-10-26T02:30": "2025-10-26 00:30:00", "2025-03-30T02:30": "released_at_real"}),
        (f'{BERLIN}\nambiguous = "second"', "", {"2025-10-26T02:30": "2025-10-26 01:30:00", "2025-10-26T03:00": "2025-10-26 02:00:00"}),
        ('zone = "Australia/Lord_Howe"', "", {  # half an hour on 6 April and 5 October 2025
            "2025-04-06T01:45": "released_at_once", "2025-04-06T01:15": "2025-04-05 14:15:00",
            "2025-10-05T02:15": "released_at_real", "2025-10-05T02:30": "2025-10-04 15:30:00",
        }),
        ('zone = "America/New_York"', "%m/%d/%y %I:%M %p", {
            "3/9/25 1:59 AM": "2025-03-09 06:59:00", "3/9/25 2:30 AM": "released_at_real",
            "11/2/25 1:30 AM": "released_at_once", "12/31/25 11:30 PM": "2026-01-01 04:30:00", "13/1/25 1:00 AM": "released_at_reads",
        }),
        ("", "%d.%m.%Y %H:%M %z", {"1.3.2025 14:05 +0100": "2025-03-01 13:05:00"}),
        ("", "%d.%m.%Y", {"1.3.2025": "2025-03-01 00:00:00", "31.2.2025": "released_at_reads"}),
        ("", "", {"2025-03-01T10:00": "released_at_reads"}),
    ],
)  # fmt: skip
def test_clocks_at_both_changes(desk: Desk, source: str, pattern: str, cells: dict[str, str]) -> None:
    how = f', pattern = "{pattern}"' if pattern else ""
    # released_at may be before refused_at: only the time itself is looked at here
    text = "no\ttrailer\tx\n" + "".join(f"{i:02}\tA\t{c}\n" for i, c in enumerate(cells))
    column = f'released_at = {{ header = "x"{how} }}'
    when = '{ constant = "2020-06-01T00:00Z" }'
    desk.give(mapped(f'delimiter = "\\t"\n{source}', when=when, columns=column), text)
    found = {no: str(at) for no, at in desk.refusals("refusal_id, released_at")}
    found |= {raw[:2]: " ".join(reasons) for _, raw, reasons in desk.waiting()}
    assert found == {f"{i:02}": wanted for i, wanted in enumerate(cells.values())}


def test_what_the_reasons_say_of_a_time_that_never_was(desk: Desk) -> None:
    desk.give(mapped(BERLIN), "no,trailer,at\n1,A,2025-03-30T02:30\n2,A,2025-10-26 02:30:00\n")
    texts = query(desk.store, "select refused_at, reasons from waiting.refusals order by line")
    assert texts == [
        ("2025-03-30T02:30:00[Europe/Berlin] never was", ["refused_at_real"]),
        ("2025-10-26T02:30:00[Europe/Berlin] was twice", ["refused_at_once"]),
    ]
    with opened(desk.store) as con:
        told = {r.reason: r.text for r in by_reason(con)}
    assert "skip in spring" in told["refused_at_real"] and "twice in autumn" in told["refused_at_once"]
    # once a person says which of the two it was, the row comes in
    result = desk.give(
        mapped(f'{BERLIN}\nambiguous = "first"'),
        "no,trailer,at\n1,A,2025-03-30T02:30\n2,A,2025-10-26 02:30:00\n",
    )
    assert [(f.rows, f.accepted, f.quarantined) for f in result.files] == [(2, 1, 1)]
    assert len(desk.waiting()) == 1


def test_zones_by_terminal_in_our_words(desk: Desk) -> None:
    source = 'zone = "Europe/Berlin"\nzones = { "North" = "Europe/London", "Far" = "Asia/Tokyo" }'
    terminal = 'terminal = { header = "wo", words = { "nord" = "North" } }'
    text = "no,trailer,at,wo\n" + "".join(
        f"{i},A,2025-07-01T12:00,{w}\n" for i, w in enumerate(["nord", "Far", "else", ""])
    )
    desk.give(mapped(source, columns=terminal), text)
    assert [str(at)[11:13] for (at,) in desk.refusals("refused_at")] == ["11", "03", "10", "10"]


def test_words_constants_joined_cells_and_ids(desk: Desk) -> None:
    columns = (
        'reason = { header = "why", words = { "Nass" = "overfill", "-" = "" } }\nterminal = { constant = "It\'s" }\n'
        'lane = { header = ["tor", "seite"] }'
    )
    trailer = '{ header = "trailer", clean_id = ["case", "spaces", "dashes"] }'
    text = (
        "no,trailer,day,hour,why,tor,seite\n1,a ,1.3.2025,9:30,NASS,4,links\n2, b,1.3.2025,10:00,-,4,\n"
        "3,A,1.3.2025,,nass,,\n4,A,1.3.2025,9:00,dampf,,\n5,TR0012,1.3.2025,9:00,nass,,\n"
    )
    when = '{ header = ["day", "hour"], pattern = ["%d.%m.%Y %H:%M", "%d.%m.%Y"] }'
    desk.give(mapped(BERLIN, trailer, when, columns), text)
    assert desk.refusals("refusal_id, trailer_id, cast(refused_at as varchar), reason, terminal, lane") == [
        ("1", "A", "2025-03-01 08:30:00", "overfill", "It's", "4 links"),
        ("2", "B", "2025-03-01 09:00:00", "unknown", "It's", "4"),
        ("3", "A", "2025-03-01 00:00:00", "overfill", "It's", None),
    ]
    assert [reasons for _, _, reasons in desk.waiting()] == [("reason_listed",), ("trailer_known",)]


SEVERAL = """
[[source]]
files = "orders*"
delimiter = ";"
[[source.table]]
name = "refusals"
when_given = "refused"
[source.table.columns]
refusal_id = "no"
trailer_id = "trailer"
refused_at = "refused"
[[source.table]]
name = "repairs"
when_given = "received"
[source.table.columns]
repair_id = "no"
trailer_id = "trailer"
received_at = "received"
refusal_id = "no"
cause = "cause"
[[source.table]]
name = "repairs"
when_given = "second"
[source.table.columns]
repair_id = "no"
trailer_id = "trailer"
received_at = "received"
finding_no = { constant = "2" }
cause = "second"
"""


def test_one_file_fills_several_tables(desk: Desk) -> None:
    text = (
        "no;trailer;refused;received;cause;second\n"
        "1;A;2025-03-01T10:00Z;2025-03-01T12:00Z;corrosion;bad_crimp\n"
        "2;A;2025-03-02T10:00Z;;;\n"
        "3;A;;2025-03-03T12:00Z;low_supply;\n"
        "total;3;;;;\n"
        "4;A;2025-03-04T10:00Z;;;;;;x\n"
        "5;A;2025-03-05T10:00Z;2025-03-05T12:00Z;rust;\n"
    )
    result = desk.give(SEVERAL, text, "orders.csv")
    told = [(f.table, f.rows, f.accepted, f.duplicate, f.corrected, f.quarantined) for f in result.files]
    assert told == [("refusals", 5, 3, 0, 0, 2), ("repairs", 3, 2, 0, 0, 1), ("repairs", 1, 1, 0, 0, 0)]
    assert desk.waiting() == [
        (5, "total;3;;;;", ("line_of_table",)),
        (6, "4;A;2025-03-04T10:00Z;;;;;;x", ("line_whole",)),
    ]
    assert desk.waiting("repairs") == [
        (7, "5;A;2025-03-05T10:00Z;2025-03-05T12:00Z;rust;", ("cause_listed",))
    ]
    found = query(
        desk.store, "select repair_id, finding_no, refusal_id, cause, line from accepted.repairs order by all"
    )
    assert found == [
        ("1", 1, "1", "corrosion", 2),
        ("1", 2, None, "bad_crimp", 2),
        ("3", 1, "3", "low_supply", 4),
    ]
    again = desk.give(SEVERAL, text, "orders2.csv")
    assert not again.changed and [(f.rows, f.duplicate) for f in again.files] == [(5, 5), (3, 3), (1, 1)]


def test_the_same_file_under_another_mapping_takes_the_place_of_what_it_said(desk: Desk) -> None:
    text = "no,trailer,at,when\n1,A,2025-03-01T10:00,2025-03-01\n2,B,2025-03-01T11:00,2025-03-01\n3,Z,2025-03-01T11:00,x\n"
    first, second = mapped('zone = "Europe/Berlin"'), mapped('zone = "Europe/London"')
    desk.give(first, text)
    assert [(f.corrected, f.quarantined) for f in desk.give(second, text).files] == [(2, 1)]
    assert [str(at)[11:16] for (at,) in desk.refusals("refused_at")] == ["10:00", "11:00"]
    assert len(desk.waiting()) == 1
    # and back again: the last reading stands, whatever was read before it
    assert [(f.corrected, f.quarantined) for f in desk.give(first, text).files] == [(2, 1)]
    assert not desk.give(first, text).changed
    assert [str(at)[11:16] for (at,) in desk.refusals("refused_at")] == ["09:00", "10:00"]
    # other keys: the old ones are retired
    renamed = mapped('zone = "Europe/Berlin"').replace(
        'refusal_id = "no"', 'refusal_id = { header = ["trailer", "no"] }'
    )
    assert [f.accepted for f in desk.give(renamed, text).files] == [2]
    assert desk.refusals("refusal_id") == [("A 1",), ("B 2",)]
    assert len(desk.waiting()) == 1
    with opened(desk.store) as con:
        assert broken(con) == []


# --- who an unknown id may be ------------------------------------------------------------------------------------

ODD = "no,trailer,at\n1,tr 12,2025-03-01T10:00Z\n2,tr 12,2025-03-02T10:00Z\n3,TR-0O12,2025-03-03T10:00Z\n4,zzz,2025-03-03T10:00Z\n"


def test_unknown_ids_wait_with_the_nearest_until_an_alias_is_confirmed(desk: Desk) -> None:
    result = desk.give(mapped(), ODD)
    assert [f.quarantined for f in result.files] == [4]
    with opened(desk.store) as con:
        nearest = {r.raw.split(",")[0]: r.nearest for r in set_aside(con)}
        (reason,) = by_reason(con)
    assert (
        nearest["1"]
        == nearest["2"]
        == "TR-0012 (the same but for capitals, blanks, dashes and leading zeros)"
    )
    assert nearest["3"].startswith("TR-0012 (1 letter differs)") and nearest["4"] == ""
    assert "'tr 12' (2 rows) may be TR-0012" in reason.text
    # the mapping alone, without a file
    result = desk.give('[aliases]\n"tr 12" = "TR-0012"\n')
    assert result.told == ("'tr 12' now means the trailer 'TR-0012'",)
    assert (result.left_waiting, result.waiting) == (2, 2)
    assert desk.refusals("refusal_id, trailer_id") == [("1", "TR-0012"), ("2", "TR-0012")]
    assert query(desk.store, "select * from record.aliases") == [("tr 12", "TR-0012", 3)]
    with opened(desk.store) as con:
        assert broken(con) == []
    # it is kept: later files without a mapping know it, and the same mapping changes nothing
    assert not desk.give('[aliases]\n"tr 12" = "TR-0012"\n').changed
    later = write_csv(
        desk.folder,
        "refusals",
        [{"refusal_id": "9", "trailer_id": "tr 12", "refused_at": "2025-04-01T10:00Z"}],
    )
    assert [f.accepted for f in ingest(desk.store, [later], now=NOW).files] == [1]
    # an alias never becomes a trailer of its own
    listed = write_csv(
        desk.folder,
        "trailers",
        [{"trailer_id": "tr 12", "positions": 4, "in_service_on": "2020-01-01"}],
        name="more.csv",
    )
    assert [f.quarantined for f in ingest(desk.store, [listed], now=NOW).files] == [1]
    assert [reasons for _, _, reasons in desk.waiting("trailers")] == [("not_an_alias",)]


@pytest.mark.parametrize(
    ("aliases", "why"),
    [
        ('"A" = "B"', "'A' is a listed trailer"),
        ('"tr 12" = "A"', "the store knows it as 'TR-0012'"),
        ('"x" = "tr 12"', "an alias of an alias"),
    ],
)
def test_an_alias_that_contradicts_the_store_is_refused(desk: Desk, aliases: str, why: str) -> None:
    desk.give('[aliases]\n"tr 12" = "TR-0012"\n')
    with pytest.raises(CallError, match=why) as caught:
        desk.give(f"[aliases]\n{aliases}\n")
    assert caught.value.hint
    assert len(query(desk.store, "select * from record.batches")) == 2


# --- settings ----------------------------------------------------------------------------------------------------


def test_settings_are_kept_and_a_change_is_said_and_judged(desk: Desk) -> None:
    tables = {
        "refusals": [{"refusal_id": "F", "trailer_id": "A", "refused_at": "2025-03-01T10:00Z"}],
        "repairs": [
            {"repair_id": "R", "trailer_id": "A", "refusal_id": "F", "received_at": "2025-03-01T08:30Z"}
        ],
    }
    for name, rows in tables.items():
        ingest(desk.store, [write_csv(desk.folder, name, rows)], now=NOW)
    assert [reasons for _, _, reasons in desk.waiting("repairs")] == [("received_after_refusal",)]
    result = desk.give("[settings]\nclock_allowance_h = 2\n")
    assert result.told == ("the setting clock_allowance_h is now 2 (it was 1)",)
    assert (result.left_waiting, result.waiting) == (1, 0)
    result = desk.give('[settings]\nclock_allowance_h = 1\ncurrency = "EUR"\n')
    assert (result.fell, result.waiting) == (1, 1)
    assert result.told[1] == "the setting currency is now EUR (it was not stated)"


# --- what cannot be read -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "data", "error", "why"),
    [
        ('encoding = "utf-16"', b"no,trailer,at\n1", DataError, "the file is not utf-16"),
        ('encoding = "windows-1252"', b"no,trailer,at\n1,\x81,x\n", DataError, "the file is not cp1252"),
        ("", b"no,trailer\n1,A\n", CallError, "the column 'at', which the mapping of 'log\\*' names for refusals, is not in the header"),
        ("", b"no,trailer,at,at\n1,A,x,y\n", CallError, "'at'.* stands twice in the header"),
        ("skip_rows = 9", b"no,trailer,at\n", DataError, "the file is empty"),
        ("", b"no,trailer,at\n1,\0,x\n", DataError, "line 2, byte 3: a NUL byte"),
        ("skip_rows = 2", b"x\ny\nno,trailer,at\n1,\0,x\n", DataError, "line 4, byte 3: a NUL byte"),
    ],
)  # fmt: skip
def test_a_file_that_is_not_as_the_mapping_says(
    desk: Desk, source: str, data: bytes, error: type[RepermitError], why: str
) -> None:
    with pytest.raises(error, match=why) as caught:
        desk.give(mapped(source), data)
    assert caught.value.hint


def test_two_sources_and_drafts_are_refused(desk: Desk) -> None:
    with pytest.raises(CallError, match=r"log\.csv belongs to two sources"):
        desk.give(mapped() + mapped().replace('"log*"', '"*.csv"'), ODD)
    with pytest.raises(CallError, match="a draft that nobody has confirmed"):
        desk.give(mapped("confirmed = false"), ODD)


def test_a_mapped_file_needs_no_csv_in_its_name_and_others_are_read_as_the_contract_has_them(
    desk: Desk,
) -> None:
    (desk.inside / "LOG 2025.txt").write_text("no,trailer,at\n1,A,2025-03-01T10:00Z\n")
    write_csv(desk.inside, "returns", [{"serial": "S", "result": "confirmed"}])
    (desk.inside / "notes.txt").write_text("not data")
    (desk.inside / "repermit.toml").write_text(mapped())
    result = ingest(desk.store, [desk.inside], now=NOW, mapping=load(desk.inside / "repermit.toml"))
    assert [(f.file, f.accepted) for f in result.files] == [
        ("exports/LOG 2025.txt", 1),
        ("exports/returns.csv", 1),
    ]


# --- whatever the bytes ------------------------------------------------------------------------------------------

CELLS = (
    "",
    "1",
    "A",
    "é",
    '"',
    '""',
    "2025-03-30T02:30",
    "1,5",
    "'; drop table x",
    "\x00",
    "\u2028",
    "=1+1",
    "x" * 300,
)


@given(
    lines=st.lists(st.lists(st.sampled_from(CELLS), max_size=5), max_size=6),
    ends=st.sampled_from(["\n", "\r\n", "\r", "\n\r"]),
    encoding=st.sampled_from(["utf-8", "utf-16", "cp1252", "utf-16-be"]),
    written=st.sampled_from(["utf-8", "utf-16", "cp1252", "utf-16-be"]),
    skip=st.integers(0, 2),
    junk=st.binary(max_size=3),
)
@settings(max_examples=20, deadline=None, derandomize=True)
def test_any_bytes_under_a_mapping_are_refused_or_add_up(
    lines: list[list[str]], ends: str, encoding: str, written: str, skip: int, junk: bytes
) -> None:
    text = ends.join([*["above"] * skip, "no;trailer;at;d", *(";".join(line) for line in lines)])
    mapping = mapped(
        f'encoding = "{encoding}"\ndelimiter = ";"\nskip_rows = {skip}\ndecimal = ","\nzone = "Europe/Berlin"',
        columns='delay_min = { header = "d", unit = "h" }',
    )
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "store.duckdb").write_bytes(empty_store())
        (folder / "log.csv").write_bytes(text.encode(written, "replace") + junk)
        (folder / "map.toml").write_text(mapping)
        try:
            result = ingest(
                folder / "store.duckdb", [folder / "log.csv"], now=NOW, mapping=load(folder / "map.toml")
            )
        except RepermitError as error:
            assert error.hint and not error.what.startswith("a defect")
            return
    for file in result.files:
        assert file.rows == file.accepted + file.duplicate + file.corrected + file.quarantined


AS = """
[[source]]
files = "x*"
[[source.table]]
name = "{table}"
[source.table.columns]
{columns}
"""


def test_rows_that_another_way_of_reading_takes_back_or_leaves_are_told(desk: Desk) -> None:
    text = "a,b,c\nS1,confirmed,S3\nS2,confirmed,S2\n"
    by_a = AS.format(table="returns", columns='serial = "a"\nresult = "b"')
    by_c = AS.format(table="returns", columns='serial = "c"\nresult = "b"')
    assert desk.give(by_a, text, "x.csv").notes == ()
    (note,) = desk.give(by_c, text, "x.csv").notes
    assert note.startswith("x.csv: 1 rows of returns that it said before")
    assert query(desk.store, "select serial from current.returns order by 1") == [("S2",), ("S3",)]
    other = AS.format(
        table="changes",
        columns='trailer_id = { constant = "A" }\nchange = "a"\napplied_on = { constant = "2025-03-01" }',
    )
    (note,) = desk.give(other, text, "x.csv").notes
    assert note.startswith("x.csv: it filled returns before and does not now; 2 rows there stay")
    assert query(desk.store, "select serial from current.returns order by 1") == [("S2",), ("S3",)]
    assert desk.give(other, text, "x.csv").notes == ()
