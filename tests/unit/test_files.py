"""Files: which are found, what is refused and where, and the line of every row, against Python's csv module."""

from __future__ import annotations

import csv
import gzip
import io
import os
import re
import tracemalloc
from functools import cache
from pathlib import Path

import duckdb
import pytest

from repermit.errors import CallError, DataError
from repermit.ingest import files, lines, plain_text

HEADER = "serial,result,part_lot"

Row = tuple[int, str, list[str | None]]


def made(folder: Path, data: bytes, name: str = "a.csv") -> Path:
    """The file, and the folders to it."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def recognised(folder: Path, data: bytes, name: str = "a.csv") -> files.Source:
    scratch = folder / "scratch"
    scratch.mkdir(exist_ok=True)
    (source,) = files.recognise(made(folder, data, name), name, scratch)
    return source


def refused(folder: Path, data: bytes, name: str = "a.csv") -> DataError:
    with pytest.raises(DataError) as caught:
        recognised(folder, data, name)
    assert caught.value.hint and caught.value.exit_code == 1
    return caught.value


# --- which files ------------------------------------------------------------------------------------------


def test_a_folder_gives_its_csv_files_whatever_their_depth_and_case(tmp_path: Path) -> None:
    for name in ("b.csv", "deep/er/a.CSV", "c.csv.gz", "picture.png", "notes.txt", "csv", "d.csv.bak"):
        made(tmp_path / "in", b"x", name)
    (tmp_path / "in" / "folder.csv").mkdir()
    assert [name for _, name in files.find([tmp_path / "in"])] == [
        "in/b.csv",
        "in/c.csv.gz",
        "in/deep/er/a.CSV",
    ]


def test_a_file_is_read_once_however_often_it_is_given(tmp_path: Path) -> None:
    path = made(tmp_path, b"x")
    (tmp_path / "link.csv").symlink_to(path)
    assert len(files.find([tmp_path, path, tmp_path / "." / "a.csv", tmp_path / "link.csv"])) == 1


def test_a_file_is_read_whatever_its_ending(tmp_path: Path) -> None:
    assert files.find([made(tmp_path, b"x", "export.txt")]) == [
        ((tmp_path / "export.txt").resolve(), "export.txt")
    ]


def test_a_path_that_is_not_there_and_a_folder_of_pictures(tmp_path: Path) -> None:
    made(tmp_path / "pictures", b"\x89PNG", "a.png")
    with pytest.raises(CallError, match=r"no file or folder .*nowhere\.csv"):
        files.find([tmp_path / "nowhere.csv"])
    with pytest.raises(CallError, match=r"no CSV file in the folder .*pictures") as caught:
        files.find([tmp_path / "pictures"])
    assert ".csv.gz" in caught.value.hint
    with pytest.raises(CallError, match="no file to read"):
        files.find([])


# --- what is refused, and where ------------------------------------------------------------------------------

BYTES = {
    "latin 1 on line 3": (f"{HEADER}\na,b,c\nd,ü,f\n".encode("latin-1"), "line 3, byte 3: the file is not UTF-8"),
    "after letters of two bytes": (f"{HEADER}\n".encode() + "é,é".encode() + b"\xff\n", "line 2, byte 6: the file is not"),
    "after CRLF": (f"{HEADER}\r\na,b,c\r\nd,".encode() + b"\xff\r\n", "line 3, byte 3: the file is not UTF-8"),
    "after CR alone": (f"{HEADER}\ra,b,c\rd,".encode() + b"\xff\r", "line 3, byte 3: the file is not UTF-8"),
    "after a blank line": (f"{HEADER}\n\n".encode() + b"\xff\n", "line 3, byte 1: the file is not UTF-8"),
    "a letter cut off at the end": (f"{HEADER}\na,b,".encode() + b"\xc3", "line 2, byte 5: the file is not UTF-8"),
    "CR and a letter cut off": (f"{HEADER}\ra\r".encode() + b"\xe2\x82", "line 3, byte 1: the file is not UTF-8"),
    "UTF-16 with a mark": (f"{HEADER}\n".encode("utf-16"), "line 1, byte 1: it looks like UTF-16"),
    "UTF-16 big end first": (b"\xfe\xff" + f"{HEADER}\n".encode("utf-16-be"), "line 1, byte 1: it looks like UTF-16"),
    "UTF-16 without": (f"{HEADER}\n".encode("utf-16-le"), "line 1, byte 2: a NUL byte"),
    "NUL": (f"{HEADER}\na,b\0,c\n".encode(), "line 2, byte 4: a NUL byte, so this is not a text file"),
    "picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "line 1, byte 1: the file is not UTF-8"),
    "past the first chunk": (
        f"{HEADER}\n".encode() + b"a,b,c\n" * 100_000 + b"d,e" + b"\xff\n", "line 100002, byte 4: the file is not UTF-8",
    ),
    "line over two chunks": (
        f"{HEADER}\n".encode() + b"a,b,c\n" * 60_000 + b"x" * 300_000 + b"\xff\n", "line 60002, byte 300001: the file",
    ),
    "a line without end": (f"{HEADER}\n".encode() + b"x" * 2_000_000, "line 2: a line of more than 524,288 bytes"),
}  # fmt: skip


@pytest.mark.parametrize("case", BYTES)
@pytest.mark.parametrize("zipped", [False, True], ids=["plain", "gzip"])
def test_bytes_that_are_no_text_are_told_with_line_and_byte(tmp_path: Path, case: str, zipped: bool) -> None:
    data, told = BYTES[case]
    error = refused(tmp_path, gzip.compress(data, 1) if zipped else data)
    assert error.what.startswith(f"a.csv, {told}")


@pytest.mark.parametrize("at", range(plain_text.CHUNK - 3, plain_text.CHUNK + 1))
def test_a_letter_or_line_end_over_the_edge_of_a_chunk_is_whole(tmp_path: Path, at: int) -> None:
    for piece in ("€", "\r\n", "𝄞"):
        data = f"{HEADER}\r\n".encode()
        data += b"abcdef\r\n" * ((at - len(data)) // 8)
        data += b"y" * (at - len(data)) + piece.encode() + b",b,c\r\n"
        lines = plain_text.check_text(made(tmp_path, data), "a.csv", False)
        assert (lines.lf, lines.crlf, lines.cr) == tuple(data.count(end) for end in (b"\n", b"\r\n", b"\r"))
        assert lines.plain


@pytest.mark.parametrize("at", [0, plain_text.CHUNK + 5], ids=["first chunk", "second chunk"])
def test_a_file_is_in_print_unless_a_control_character_is_in_it(tmp_path: Path, at: int) -> None:
    control = re.compile(r"[\x00-\x08\x0E-\x1F]")  # as the rules of the contract say
    for byte in range(1, 128):
        data = f"{HEADER}\n".encode() + b"abcdef\n" * (at // 7) + b"x" + bytes([byte]) + b"x,b,c\n"
        lines = plain_text.check_text(made(tmp_path, data), "a.csv", False)
        assert lines.in_print == (control.search(chr(byte)) is None), byte


HEADERS = {
    "empty": (b"", "a.csv: the file is empty, not even a header"),
    "blank": (b"\n \r\n\t\n", "a.csv: the file is empty, not even a header"),
    "a mark alone": (b"\xef\xbb\xbf", "a.csv: the file is empty, not even a header"),
    "blank first line": (f"\n{HEADER}\n".encode(), "a.csv, line 1: the line is blank"),
    "commas alone": (b",,\na,b,c\n", "a.csv, line 1: the line is blank"),
    "semicolons": (b"serial;result\na;b\n", "a.csv, line 1: the columns are separated by semicolons, not commas"),
    "tabs": (b"serial\tresult\na\tb\n", "a.csv, line 1: the columns are separated by tabs, not commas"),
    "bars": (b"serial|result\na|b\n", "a.csv, line 1: the columns are separated by bars, not commas"),
    "twice": (b"serial,result,serial\n", "a.csv, line 1: the column 'serial' stands twice"),
    "no name": (b"serial,result,,\n", "a.csv, line 1: column 3 has no name"),
    "no name between": (b"serial,,result\n", "a.csv, line 1: column 2 has no name"),
    "missing": (b"serial,part_lot\n", "a.csv, line 1: the header fits no table; the nearest is returns, which also needs result"),
    "spelling": (
        b"serial,reslt\n",
        "a.csv, line 1: the header fits no table; the nearest is returns, which also needs result; it has no column"
        " 'reslt' (did you mean result?)",
    ),
    "case": (b"Serial,result\n", "a.csv, line 1: the header fits no table; the nearest is returns, which also needs serial"),
    "one of two": (
        b"trailer_id,terminal,lane,loads\n",
        "a.csv, line 1: the header fits no table; the nearest is loads, which also needs loaded_on or loaded_at",
    ),
    "nothing known": (b"name,amount\n", "a.csv, line 1: no column of this header is known: name, amount"),
    "rows without a header": (b"S1,confirmed,L1\n", "a.csv, line 1: no column of this header is known: S1, confirmed, L1"),
    "line break in a name": (b'serial,"result\n"\n', "a.csv, line 1: the header fits no table; the nearest is returns"),
    "a quote that stays open": (b'serial,"' + b"x\n" * 100_000, "a.csv, line 1: this is no header"),
}  # fmt: skip


@pytest.mark.parametrize("case", HEADERS)
def test_a_header_that_is_none_is_told(tmp_path: Path, case: str) -> None:
    data, told = HEADERS[case]
    assert refused(tmp_path, data).what.startswith(told)


@pytest.mark.parametrize(
    "data",
    [HEADER, f"{HEADER}\n", f"\ufeff{HEADER}\r\n", ' serial ,"result",\tpart_lot\n', f"{HEADER}\n\n\n"],
)
def test_a_header_alone_is_a_file_of_no_rows(tmp_path: Path, data: str) -> None:
    source = recognised(tmp_path, data.encode())
    assert (source.table.name, source.header) == ("returns", ("serial", "result", "part_lot"))
    assert read(source) == ([], [])


ZIPPED = gzip.compress(f"{HEADER}\n".encode() + b"a,b,c\n" * 1000, 1)


@pytest.mark.parametrize(
    "data",
    [ZIPPED[:-20], ZIPPED[:30], ZIPPED[:40] + b"\xff\xff\xff" + ZIPPED[43:], ZIPPED[:-5] + b"\0" + ZIPPED[-4:], ZIPPED + b"more"],
    ids=["cut", "cut early", "bits", "check sum", "more behind"],
)  # fmt: skip
def test_a_damaged_gzip_file_is_told(tmp_path: Path, data: bytes) -> None:
    assert refused(tmp_path, data, "a.csv.gz").what.startswith("a.csv.gz: the compressed file is damaged")


def test_a_file_that_may_not_be_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def deny(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", "a.csv")

    path = made(tmp_path, HEADER.encode())
    monkeypatch.setattr(Path, "open", deny)
    with pytest.raises(DataError, match=r"^a\.csv: cannot be read: Permission denied"):
        files.recognise(path, "a.csv", tmp_path)


# --- the file that is meant ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["a[b].csv", "a*.csv", "a?.csv", "it's.csv", 'a"b.csv', "ü ü.csv", "part_lot=9/a.csv", "a{b,c}.csv", "$x.csv"]
)  # fmt: skip
def test_no_other_file_is_read_whatever_the_name_is_like(tmp_path: Path, name: str) -> None:
    made(tmp_path, f"{HEADER}\nother,other,other\n".encode(), "ab.csv")
    source = recognised(tmp_path, f"{HEADER}\nS1,confirmed,L1\n".encode(), name)
    assert read(source) == ([(2, "S1,confirmed,L1", ["S1", "confirmed", "L1"])], [])


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz", "a.gz.txt"])
@pytest.mark.parametrize("zipped", [False, True], ids=["plain", "gzip"])
def test_bytes_tell_whether_a_file_is_compressed(tmp_path: Path, name: str, zipped: bool) -> None:
    data = f"{HEADER}\nS1,confirmed,L1\n".encode()
    source = recognised(
        tmp_path, gzip.compress(data[:30]) + gzip.compress(data[30:]) if zipped else data, name
    )
    assert read(source) == ([(2, "S1,confirmed,L1", ["S1", "confirmed", "L1"])], [])


@pytest.mark.skipif(os.name != "posix", reason="names that are no text exist on POSIX alone")
def test_a_name_that_is_no_text_is_told(tmp_path: Path) -> None:
    assert (
        "the file's name or folder is not UTF-8"
        in refused(tmp_path, HEADER.encode(), os.fsdecode(b"a\xff.csv")).what
    )


# --- lines ---------------------------------------------------------------------------------------------------


@cache
def engine() -> duckdb.DuckDBPyConnection:
    """One for all tests; each makes its tables anew."""
    return duckdb.connect()


def read(source: files.Source) -> tuple[list[Row], list[tuple[int, str]]]:
    """Whole rows with their line and text, and broken lines, as ingest reads them."""
    con = engine()
    lines.read(con, source, "t")
    lines.locate(con, source, "t")
    names = ", ".join(source.header)
    rows = con.execute(
        f"select line, raw, {names} from t join t_at using (row_no) order by row_no"
    ).fetchall()
    broken = con.execute("select line, raw from t_broken order by line").fetchall()
    return [(line, raw, list(cells)) for line, raw, *cells in rows], broken


def reference(text: str, width: int = 3) -> tuple[list[Row], list[tuple[int, str]]]:
    """The same by Python's csv module, slowly. Cells beyond the header that are empty do not break a line."""
    lines = list(io.StringIO(text.removeprefix("\ufeff"), newline=""))
    reader = csv.reader(lines)
    rows: list[Row] = []
    broken = []
    start = 1
    for cells in reader:
        raw = alike("".join(lines[start - 1 : reader.line_num])).rstrip("\n")
        if start > 1 and cells:
            if len(cells) < width or any(cells[width:]) or not closed(lines[start - 1 : reader.line_num]):
                broken.append((start, raw))
            else:
                rows.append((start, raw, [cell or None for cell in cells[:width]]))
        start = reader.line_num + 1
    return rows, broken


def closed(lines: list[str]) -> bool:
    """Whether quotes close, and nothing but a comma follows a closing quote."""
    try:
        list(csv.reader(lines, strict=True))
    except csv.Error:
        return False
    return True


def alike(text: str) -> str:
    """Every line end as LF."""
    return text.replace("\r\n", "\n").replace("\r", "\n")


def same_lines(folder: Path, text: str, *, zipped: bool = False) -> None:
    """What ingest reads of the text is what the csv module reads; line ends within cells count alike."""
    data = text.encode()
    rows, broken = read(recognised(folder, gzip.compress(data, 1) if zipped else data))
    want_rows, want_broken = reference(text)
    assert [(n, alike(raw), [c and alike(c) for c in cells]) for n, raw, cells in rows] == [
        (n, raw, [c and alike(c) for c in cells]) for n, raw, cells in want_rows
    ]
    assert [(n, alike(raw)) for n, raw in broken] == want_broken


LINES = {
    "plain": "a,b,c\nd,e,f\n",
    "no final line end": "a,b,c\nd,e,f",
    "blank lines": "\n\na,b,c\n\n\nd,e,f\n\n",
    "line break in quotes": 'a,"b\nb",c\nd,e,f\n',
    "blank lines in quotes": 'a,"b\n\n\nb",c\nd,"\n\n",f\n"\n",h,i\nj,k\n',
    "quotes in quotes": 'a,"b ""b"" b",c\n"""",e,"f"""\ng,h\n',
    "commas in quotes": 'a,"b,b",c\n",",",,",","\n',
    "empty cells": ',,\n"","",""\na,,\n',
    "blanks": " a , b ,\t\n  \n \t\nd,e,f\n",
    "too few": "a\na,b\nd,e,f\ng,h\n",
    "too many": "a,b,c,d\ne,f,g\nh,i,j,k,l\n",
    "too many, but empty": "a,b,c,,\nd,e,f,\ng,h,i,,x\n",
    "too few after blank lines": "\n\na,b\n\n\nd,e\n\nf,g,h\n",
    "broken over lines": 'a,"b\n\nb",c,d\ne,f,g\nh,"i\ni"\nj,k,l\n',
    "unterminated to the end": 'a,b,c\nd,"e,f\ng,h,i\n\nj,k,l\n',
    "unterminated to the next quote": 'a,"b,c\nd,"e",f\ng,h,i\n',
    "unterminated to a later quote": 'a,"b,c\nd,e,f\ng,h,"i, i"\nj,k,l\n',
    "unterminated, last cell": 'a,b,"c\n',
    "text after a quote": 'a,"b"b,c\nd,e,f\n"g" g,h,i\nj,k,l\n',
    "quote in a bare cell": 'a,6" hose,c\nd,e,f\n',
    "signs that separate": "a\x1f\x1e\x1fb,b,c\nd,\x1c\x1d,f\n",
    "wide letters": "é,€,𝄞\né,€\n𝄞,𝄞,𝄞,𝄞\nd,e,f\n",
}  # fmt: skip


@pytest.mark.parametrize("case", LINES)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_lines_are_those_of_the_csv_module(tmp_path: Path, case: str, end: str) -> None:
    text = f"{HEADER}\n{LINES[case]}".replace("\n", end)
    same_lines(tmp_path, text)
    same_lines(tmp_path, f"\ufeff{text}", zipped=True)


@pytest.mark.parametrize("case", LINES)
def test_lines_that_end_in_all_ways_are_those_of_the_csv_module(tmp_path: Path, case: str) -> None:
    pieces = f"{HEADER}\n{LINES[case]}".split("\n")
    text = pieces[0] + "".join(("\r\n", "\n", "\r")[i % 3] + piece for i, piece in enumerate(pieces[1:]))
    same_lines(tmp_path, text)
    same_lines(tmp_path, f"\ufeff{text}", zipped=True)


def test_lines_of_a_long_file(tmp_path: Path) -> None:
    open_ended = {"unterminated to the end", "unterminated, last cell", "no final line end"}
    pieces = [body for case, body in LINES.items() if case not in open_ended]
    text = f"{HEADER}\n" + "".join("x,y,z\n" * (i * 37 % 997) + pieces[i % len(pieces)] for i in range(250))
    assert len(text) > plain_text.CHUNK
    same_lines(tmp_path, text.replace("\n", "\r\n"))


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252"])
def test_a_copy_in_utf8_never_holds_the_file(tmp_path: Path, encoding: str) -> None:
    path, target = tmp_path / "a.csv", tmp_path / "b.csv"
    line = "Süd;4,5;01.03.2025 08:15\r\n"
    path.write_bytes(("above\r\n" + line * 600_000).encode(encoding))
    tracemalloc.start()
    plain_text.plain_copy(path, target, "a.csv", False, encoding, 1)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < path.stat().st_size / 2
    assert target.read_text(encoding="utf-8") == line.replace("\r\n", "\n") * 600_000
