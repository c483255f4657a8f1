"""A simulated world written through a random ugly mapping, and read by that mapping, gives the store of its clean files.

The writer here knows nothing of how the mapping is applied: it works row by row in Python, on the clean text.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import zip_longest
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from helpers import NOW, dump, load
from repermit.contract import BY_NAME, Column
from repermit.ingest.run import ingest
from repermit.mapping_file import load as load_mapping
from tanker_world import simulate, small, write

Row = dict[str, str]
Write = Callable[[Row, str], str]
ENCODINGS = {
    "windows-1252": "cp1252",
    "utf-16": "utf-16",
    "latin-1": "latin-1",
    "utf-8": "utf-8-sig",
    "cp850": "cp850",
}
PATTERNS = ("%d.%m.%Y %H:%M:%S", "%Y%m%d %H%M%S", "%m/%d/%Y %I:%M:%S %p", "%d-%b-%Y %H:%M:%S")
ZONES = ("Europe/Berlin", "America/New_York", "Asia/Tokyo", "Australia/Lord_Howe", "UTC")
SCALES = {"min": {"s": 60, "h:mm": 0}, "ohm": {"kohm": 0.001, "mohm": 1000}, "V": {"mV": 1000}}
WITHOUT = ("batch_id", "read_in", "retired_by", "line", "raw", "lines")


def quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


class Ugly:
    """One file: how it is written, and the mapping that says so."""

    def __init__(
        self, rng: random.Random, names: list[str], columns: dict[str, list[str]], aliases: dict[str, str]
    ) -> None:
        self.rng, self.names, self.aliases = rng, names, aliases
        self.encoding = rng.choice(list(ENCODINGS))
        self.delimiter = rng.choice(";\t|,")
        self.skip = rng.choice([0, 1, 4])
        self.decimal = rng.choice([",", "."])
        self.zone = rng.choice(ZONES)
        self.places: dict[str, str] = {}
        self.parts = {
            name: {c: self.column(BY_NAME[name].column(c), f"{i}") for c in columns[name]}
            for i, name in enumerate(names)
        }

    def column(self, column: Column, part: str) -> tuple[str, str, Write]:
        """Header, the mapping's value, and how a cell is written."""
        rng, text = self.rng, column.name
        header = f"{text[::-1]}_{part}" + rng.choice(["", " é", ' "x"', " (n°)", " ½"])
        if column.listed or column.kind == "flag":
            ours = column.listed or ("yes", "no")
            theirs = {
                word: f"{rng.choice(['Ü', 'n', '¼'])} {i} {word[:3].upper()}" for i, word in enumerate(ours)
            }
            pairs = ", ".join(f"{quoted(t)} = {quoted(o)}" for o, t in theirs.items())
            flags = {"true": "yes", "false": "no"} if column.kind == "flag" else {}
            return (
                header,
                f"{{ header = {quoted(header)}, words = {{ {pairs} }} }}",
                lambda _, v: rng.choice([str, str.lower])(theirs[flags.get(v, v)]),
            )
        if column.kind == "time":
            pattern = rng.choice(PATTERNS)
            how = f"{{ header = {quoted(header)}, pattern = [{quoted(pattern)}, {quoted('%d/%m/%Y')}] }}"
            return header, how, lambda row, v: self.moment(row, v, pattern)
        if column.kind == "day":
            pattern = rng.choice(["%d.%m.%Y", "%y%m%d", "%d %B %Y"])
            return (
                header,
                f"{{ header = {quoted(header)}, pattern = {quoted(pattern)} }}",
                lambda _, v: datetime.fromisoformat(v).strftime(pattern),
            )
        if column.kind == "number":
            unit = rng.choice(["", *SCALES.get(column.unit, {})])
            how = f", unit = {quoted(unit)}" if unit else ""
            return (
                header,
                f"{{ header = {quoted(header)}{how} }}",
                lambda _, v: self.number(v, SCALES.get(column.unit, {}).get(unit, 1)),
            )
        if text == "trailer_id" and self.names != ["trailers"]:
            return header, quoted(header), lambda _, v: rng.choice([v, self.aliases.get(v, v)])
        return header, quoted(header), lambda _, v: rng.choice(["", " "]) + v + rng.choice(["", "  "])

    def number(self, text: str, scale: float) -> str:
        if not scale:
            return f"{int(float(text)) // 60}:{int(float(text)) % 60:02}"
        value = f"{float(text) * scale:,.6f}".rstrip("0").rstrip(".")
        swapped = value.translate(str.maketrans(",.", ".,")) if self.decimal == "," else value
        return (
            swapped if self.rng.random() < 0.5 else swapped.replace("." if self.decimal == "," else ",", "")
        )

    def moment(self, row: Row, text: str, pattern: str) -> str:
        """The local time at the row's terminal or shop; ISO with its offset where the clocks there showed it twice."""
        if len(text) == 10:
            return datetime.fromisoformat(text).strftime("%d/%m/%Y")
        place = row.get("terminal") or row.get("shop") or ""
        zone = ZoneInfo(self.places.setdefault(place, self.rng.choice(ZONES)) if place else self.zone)
        at = datetime.fromisoformat(text).astimezone(UTC)
        local = at.astimezone(zone)
        other = local.replace(fold=1 - local.fold)
        if other.utcoffset() != local.utcoffset() or self.rng.random() < 0.05:
            return at.astimezone(ZoneInfo("Asia/Kathmandu")).isoformat()
        return local.strftime(pattern)

    def write(self, path: Path, rows: dict[str, list[Row]]) -> None:
        """The tables side by side, line by line, in a random order of columns, with one that nobody asked for."""
        cells = [
            (name, c, header, how)
            for name, part in self.parts.items()
            for c, (header, _, how) in part.items()
        ]
        cells.append(("", "", "Nobody's", lambda _, v: v))
        self.rng.shuffle(cells)
        lines = [[header for _, _, header, _ in cells]]
        for beside in zip_longest(*(rows[name] for name in self.names), fillvalue={}):
            by_name: dict[str, Row] = dict(zip(self.names, beside, strict=True))
            lines.append(
                [
                    "junk" if not n else w(by_name[n], by_name[n][c]) if by_name[n].get(c) else ""
                    for n, c, _, w in cells
                ]
            )
        text = "".join(f'Report {i}; "open, quote\n' for i in range(self.skip))
        text += "".join(self.delimiter.join(map(self.cell, line)) + "\n" for line in lines)
        ends = self.rng.choice(["\n", "\r\n", "\r"])
        path.write_bytes(text.replace("\n", ends).encode(ENCODINGS[self.encoding]))

    def cell(self, text: str) -> str:
        return '"' + text.replace('"', '""') + '"' if any(c in text for c in f'"{self.delimiter}') else text

    def mapping(self, file: str) -> str:
        lines = [
            "[[source]]",
            f"files = {quoted(file)}",
            f"encoding = {quoted(self.encoding)}",
            f"delimiter = {quoted(self.delimiter)}",
        ]
        lines += [
            f"skip_rows = {self.skip}",
            f"decimal = {quoted(self.decimal)}",
            f"zone = {quoted(self.zone)}",
            "[source.zones]",
        ]
        lines += [f"{quoted(place)} = {quoted(zone)}" for place, zone in self.places.items()]
        for name, part in self.parts.items():
            lines += ["[[source.table]]", f"name = {quoted(name)}"]
            if len(self.names) > 1:
                lines.append(f"when_given = {quoted(part[BY_NAME[name].key[0]][0])}")
            lines += ["[source.table.columns]", *(f"{c} = {how}" for c, (_, how, _) in part.items())]
        return "\n".join(lines) + "\n"


def odd(rng: random.Random, trailer: str) -> str:
    """The id as somebody writes it."""
    return rng.choice([str.lower, str.title])(trailer).replace("-", rng.choice(["", " ", "--"])) + "x"


@pytest.mark.parametrize(
    "seed", [71, 72, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(73, 83))]
)
def test_an_ugly_world_gives_the_store_of_its_clean_files(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    world = simulate(small(seed, trailers=10, months=8, date_only=0.2, second_findings=0.2))
    clean = tmp_path / "clean"
    write(world, clean)
    assert all(f.rows == f.accepted for f in load(tmp_path / "clean.duckdb", clean).files)

    folder, told = tmp_path / "ugly", []
    folder.mkdir()
    columns = {name: table.columns for name, table in world.tables.items()}
    rows: dict[str, list[Row]] = {
        name: [{c: "" if v is None else str(v) for c, v in r.items()} for r in table.to_dicts()]
        for name, table in world.tables.items()
    }
    aliases = {r["trailer_id"]: odd(rng, r["trailer_id"]) for r in rows["trailers"]}
    groups = [
        ["trailers"],
        ["loads"],
        ["refusals", "repairs"],
        ["proof_tests", "changes"],
        ["checks", "returns"],
    ]
    for i, names in enumerate(groups):
        ugly = Ugly(rng, names, columns, aliases)
        ugly.write(folder / f"Export {i}.txt", rows)
        told.append(ugly.mapping(f"export {i}.*"))
    pairs = "".join(f"{quoted(theirs)} = {quoted(ours)}\n" for ours, theirs in aliases.items())
    (folder / "repermit.toml").write_text("[aliases]\n" + pairs + "".join(told), encoding="utf-8")
    result = ingest(
        tmp_path / "ugly.duckdb", [folder], now=NOW, mapping=load_mapping(folder / "repermit.toml")
    )

    assert [(f.file, f.table) for f in result.files if f.rows != f.accepted] == []
    kinds = ("accepted", "core", "marts")
    one, other = (dump(tmp_path / f"{name}.duckdb", kinds, without=WITHOUT) for name in ("clean", "ugly"))
    assert one.keys() == other.keys() and sum(map(len, one.values())) > 5_000
    for name, found in one.items():
        assert found == other[name], name
