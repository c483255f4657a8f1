"""The drafted mapping: what it guesses, that it applies nothing, and that the README's walk comes true."""

from __future__ import annotations

import csv
import io
import tomllib
from pathlib import Path

import pytest

from conftest import Run
from repermit.draft import draft
from repermit.errors import CallError
from repermit.mapping_file import load
from repermit.resources import folder

UGLY = folder("sample_data") / "ugly"
README = Path(__file__).parents[2] / "README.md"


def test_the_draft_of_the_example_finds_its_layout_tables_and_columns() -> None:
    source = tomllib.loads(draft(UGLY / "orders-2025-03.csv"))["source"][0]
    whole = tomllib.loads((UGLY / "repermit.toml").read_text(encoding="utf-8"))["source"][0]
    for key in ("files", "encoding", "delimiter", "skip_rows", "decimal"):
        assert source[key] == whole[key], key
    assert [t["name"] for t in source["table"]] == ["refusals", "repairs"]
    for drafted, finished in zip(source["table"], whole["table"], strict=True):
        same = {c for c, how in finished["columns"].items() if drafted["columns"].get(c) == how}
        assert same >= {"trailer_id"} and len(same) >= 4, same
        assert drafted["when_given"] == finished["when_given"]
    assert source["table"][1]["columns"]["labour_min"] == {"header": "Labour (h)", "unit": "h"}
    assert source["table"][1]["columns"]["action"]["words"]["re-crimped"] == "recrimped"


def test_every_guess_is_marked_and_none_is_applied(repermit: Run, tmp_path: Path) -> None:
    text = draft(UGLY / "orders-2025-03.csv")
    for line in text.splitlines():
        if "=" in line and not line.startswith(("#", "confirmed", "ambiguous")):
            assert "# confirm" in line, line
    for name in ("orders-2025-03.csv", "trailers.csv"):
        (tmp_path / name).write_bytes((UGLY / name).read_bytes())
    confirmed = text.replace('# zone = "Area/City"', 'zone = "Europe/Berlin"')
    (tmp_path / "repermit.toml").write_text(confirmed, encoding="utf-8")
    result = repermit("ingest", tmp_path)
    assert isinstance(result.exception, CallError) and "nobody has confirmed" in str(result.exception)
    (tmp_path / "repermit.toml").write_text(
        confirmed.replace("confirmed = false", "confirmed = true"), encoding="utf-8"
    )
    assert load(tmp_path / "repermit.toml").sources[0].confirmed
    assert repermit("ingest", tmp_path).exit_code == 0  # what the draft left open is set aside by its rules


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ("serial,result\nS1,confirmed\n".encode("utf-16"), ['encoding = "utf-16"', 'name = "returns"', 'result = "result"']),
        (b"refusal_id|trailer_id|refused_at\n1|A|2025-03-01T10:00Z\n", ['delimiter = "|"', "skip_rows = 0", 'refused_at = "refused_at"  #']),
        (b"trailer id\tpositions\tin service on\nA\t4\t3/14/19\n", ['delimiter = "\\t"', 'in_service_on = { header = "in service on", pattern = "%m/%d/%y" }']),
        (b"trailer_id,change,applied_on\nA,x,03/04/2025\n", ["%m/%d/%Y reads them as well"]),
        (b'a "b",<script>\n1,2\n', ["# Headers that nothing was found for", "# needed"]),
    ],
)  # fmt: skip
def test_drafts_of_other_shapes(tmp_path: Path, data: bytes, told: list[str]) -> None:
    path = tmp_path / "export 2025.txt"
    path.write_bytes(data)
    text = draft(path)
    assert tomllib.loads(text)["source"][0]["confirmed"] is False
    for line in (*told, 'files = "export *.txt"'):
        assert line in text, text


@pytest.mark.parametrize("data", [b"", b"\n\n", b"\0\0\0\0"])
def test_what_holds_no_table_is_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    with pytest.raises(CallError) as caught:
        draft(path)
    assert caught.value.hint


def mend_the_rest(repermit: Run) -> None:
    """The last step, done with a spreadsheet: the line of totals is dropped, the time that never was is mended."""
    told = list(csv.DictReader(io.StringIO(repermit("quarantine", "--format", "csv").stdout)))
    assert repermit("quarantine", "--out", "mend.csv").exit_code == 0
    with Path("mend.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(r["line"], r["nearest"]) for r in rows] == [(r["line"], r["nearest"]) for r in told]
    for row in rows:
        row |= {"drop": "yes"} if "Total" in row["raw"] else {"refused_at": "2025-03-30T03:20+02:00"}
    with Path("mend.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    assert repermit("ingest", "mend.csv").exit_code == 0
    assert "nothing waits" in repermit("quarantine").stderr
    left = repermit("quarantine", "--left", "--format", "csv").stdout
    assert {r["left_as"] for r in csv.DictReader(io.StringIO(left))} == {"accepted", "mended", "dropped"}


def test_the_walk_of_the_readme_comes_true(
    repermit: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every command of the section, and what it prints, word by word; and its extracts are of the files."""
    readme = README.read_text(encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_data").symlink_to(folder("sample_data"))
    parts = [part.split("<!-- /ugly -->")[0] for part in readme.split("<!-- ugly -->")[1:]]
    steps = [step for part in parts for step in part.split("$ repermit ")[1:]]
    assert len(steps) == 4
    for step in steps:
        command, told = step.split("\n", 1)
        assert repermit(*command.split()).stdout.strip() == told.replace("```", "").strip(), command
    mend_the_rest(repermit)
    section = readme.split("## Exports as they come")[1].split("<!-- ugly -->")[0]
    export = (UGLY / "orders-2025-03.csv").read_bytes().decode("cp1252")
    mapping = (UGLY / "repermit.toml").read_text(encoding="utf-8")
    for block, whole in (("```text", export), ("```toml", mapping)):
        for line in section.split(block)[1].split("```")[0].strip().splitlines():
            assert line.split("  # by")[0].rstrip() in whole, line
