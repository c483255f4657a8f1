"""A mapping file is checked whole before anything is read: every error says where, why, and the nearest name."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from repermit.errors import CallError
from repermit.mapping import ColumnMap, SourceMap, TableMap
from repermit.mapping_file import beside, load

LEAST = """
[[source]]
files = "log*.csv"
{source}
[[source.table]]
name = "refusals"
{table}
[source.table.columns]
refusal_id = "no"
trailer_id = "trailer"
{columns}
"""


def loaded(folder: Path, text: str) -> object:
    path = folder / "map.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def least(source: str = "", table: str = "", columns: str = 'refused_at = "at"') -> str:
    return LEAST.format(source=source, table=table, columns=columns)


def test_what_a_mapping_says_is_kept(tmp_path: Path) -> None:
    text = least(
        'delimiter = "\\t"\nencoding = "Windows-1252"\nskip_rows = 2\ndecimal = ","\nzone = "Europe/Berlin"\nzones = { "N" = "UTC" }\nambiguous = "first"',
        'when_given = "no"',
        'refused_at = { header = ["day", "hour"], pattern = "%d.%m.%y %H:%M" }\nterminal = { constant = "N" }\nreason = { header = "why", words = { "nass" = "overfill", "-" = "" } }\n'
        'delay_min = { header = "h", unit = "h" }\nlane = { header = "tor", clean_id = "case", when_given = "no" }',
    )
    path = tmp_path / "map.toml"
    path.write_text(
        '[settings]\nlevel = 0.9\nmatch_days = 7\n[aliases]\n" a " = "B"\n' + text, encoding="utf-8"
    )
    mapping = load(path)
    columns = (
        ColumnMap("refusal_id", ("no",)),
        ColumnMap("trailer_id", ("trailer",)),
        ColumnMap("refused_at", ("day", "hour"), patterns=("%d.%m.%y %H:%M",)),
        ColumnMap("terminal", constant="N"),
        ColumnMap("reason", ("why",), words=(("-", ""), ("nass", "overfill"))),
        ColumnMap("delay_min", ("h",), unit="h"),
        ColumnMap("lane", ("tor",), clean_id=("case",), when_given="no"),
    )
    assert mapping.sources == (
        SourceMap(
            "log*.csv", (TableMap("refusals", columns, "no"),), True, "\t", "cp1252", 2, ",", "Europe/Berlin", (("N", "UTC"),), "first",
        ),
    )  # fmt: skip
    assert (mapping.settings, mapping.aliases) == ((("match_days", 7), ("level", 0.9)), (("a", "B"),))
    assert mapping.source_of("LOG 1.CSV") is mapping.sources[0] and mapping.source_of("other.csv") is None


WRONG = {
    # text of the file: what is said of it (a pattern), and what the hint names
    "nonsense": ("this is no TOML", "Mend that line"),
    "[sauce]": ("sauce: this key is not known", "source"),
    "source = 1": ("source: must be a list", "contract"),
    "[settings]\nepisode_gap_hours = 1": (r"settings\.episode_gap_hours: this key is not known", "episode_gap_h"),
    '[settings]\nlevel = "x"': (r"settings\.level: must be", "contract"),
    "[settings]\nlevel = 2": (r"settings\.level: must be between", "contract"),
    "[settings]\nmatch_days = 0": (r"settings\.match_days: must be more than 0", "contract"),
    "[settings]\nmatch_days = true": (r"settings\.match_days: must be a whole number", "contract"),
    '[aliases]\n"a" = "b"\n"b" = "c"': (r"aliases\.'a': 'b' is itself an alias", "as listed"),
    '[aliases]\n"a" = ""': (r"aliases\.'a': an id is empty", "TR-0012"),
    '[aliases]\n"a" = 1': (r"aliases\.'a': must be text", "contract"),
    "[[source]]": (r"source 1\.files: is missing", r"\.csv"),
    '[[source]]\nfiles = "x"': (r"source 1\.table: fills no table", r"\[\[source.table\]\]"),
    least("delimeter = 1"): (r"source 1\.delimeter: this key is not known", "delimiter"),
    least('delimiter = ";;"'): (r"source 1\.delimiter: ';;' is not one character", ";"),
    least('encoding = "windows-1259"'): (r"source 1\.encoding: 'windows-1259' is not known", "windows-125"),
    least('encoding = "rot13"'): (r"source 1\.encoding: 'rot13' is not known", "utf-8"),
    least("skip_rows = -1"): (r"source 1\.skip_rows: must be 0 or more", "contract"),
    least('skip_rows = "2"'): (r"source 1\.skip_rows: must be a whole number", "contract"),
    least('decimal = ";"'): (r"source 1\.decimal: ';' is not known", ","),
    least('zone = "Europe/Berlim"'): (r"source 1\.zone: 'Europe/Berlim' is no time zone", "Europe/Berlin"),
    least('zones = { "N" = "Mars" }'): (r"source 1\.zones\.'N': 'Mars' is no time zone", ""),
    least('zones = { "N" = "UTC" }'): (r"source 1\.zones: the table refusals has neither terminal nor shop", "zone"),
    least('ambiguous = "third"'): (r"source 1\.ambiguous: 'third' is not known", "first"),
    least().replace('"refusals"', '"refusal"'): (r"source 1\.table 1\.name: 'refusal' is not known", "refusals"),
    least().replace('name = "refusals"', ""): (r"source 1\.table 1\.name: is missing", "refusals"),
    least(table="when = 1"): (r"source 1\.table 1\.when: this key is not known", "when_given"),
    least(columns=""): (r"source 1\.table 1\.columns: refusals needs refused_at", "header"),
    least(columns='refused_at = "at"\ntrailer = "x"'): (r"columns\.trailer: refusals has no such column", "trailer_id"),
    least(columns="refused_at = 1"): (r"columns\.refused_at\.header: must be text", "contract"),
    least(columns="refused_at = {}"): (r"columns\.refused_at: needs a header or a constant", "refused_at"),
    least(columns='refused_at = { header = "x", constant = "y" }'): (r"columns\.refused_at: needs a header or a constant", "refused_at"),
    least(columns='refused_at = { header = "x", patern = "y" }'): (r"columns\.refused_at\.patern: this key is not known", "pattern"),
    least(columns='refused_at = { header = "x", pattern = "%d.%m.%Y %H:%M" }'): ("gives times without a zone", "Area/City"),
    least(columns='refused_at = { header = "x", pattern = "%H:%M" }'): ("has no day, month and year", "%d"),
    least('zone = "UTC"', columns='refused_at = { header = "x", pattern = "%-d.%m.%Y %H" }'): ("'%-' in .* is not known", "%d"),
    least(columns='refused_at = { header = "x", pattern = "%d.%m.%Y %Q" }'): ("'%Q' in .* is not known", "%d"),
    least(columns='refused_at = "at"\nlane = { header = "x", pattern = "%d" }'): (r"lane\.pattern: lane is neither a day nor a time", "contract"),
    least(columns='refused_at = "at"\nreason = { header = "x", words = { "wet" = "overfil" } }'): (r"reason\.words\.'wet': 'overfil' is no word of reason", "overfill"),
    least(columns='refused_at = "at"\nreason = { header = "x", words = { "wet" = "overfill", "WET " = "ground" } }'): ("'wet' stands twice", "Remove"),
    least(columns='refused_at = "at"\nreason = { constant = "wet" }'): (r"reason\.constant: 'wet' is no word of reason", "overfill"),
    least(columns='refused_at = "at"\ndelay_min = { header = "x", unit = "hours" }'): (r"delay_min\.unit: 'hours' is no unit of delay_min", "h"),
    least(columns='refused_at = "at"\nlane = { header = "x", unit = "h" }'): (r"lane\.unit: 'h' is no unit of lane", "contract"),
    least(columns='refused_at = "at"\nlane = { header = "x", clean_id = ["dash"] }'): (r"lane\.clean_id: 'dash' is not known", "dashes"),
    least(columns='refused_at = "at"\nreason = { header = "x", clean_id = ["case"] }'): (r"reason\.clean_id: reason is no id", "contract"),
    '[[source]]\nfiles = "x"\n[[source.table]]\nname = "loads"\ncolumns = { trailer_id = "t" }': ("loads needs loaded_on or loaded_at", "header"),
}  # fmt: skip


@pytest.mark.parametrize("text", WRONG)
def test_every_error_says_where_why_and_what_instead(tmp_path: Path, text: str) -> None:
    why, hint = WRONG[text]
    with pytest.raises(CallError) as caught:
        loaded(tmp_path, text)
    assert re.search(why, caught.value.what), caught.value.what
    assert caught.value.what.startswith(f"{tmp_path / 'map.toml'}: ")
    assert caught.value.hint and re.search(hint, caught.value.hint), caught.value.hint


def test_a_mapping_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="cannot be read"):
        load(tmp_path / "none.toml")


def test_the_mapping_beside_the_data_is_found(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    for folder in (one, two):
        folder.mkdir()
        (folder / "a.csv").write_text("x")
    assert beside([one, two / "a.csv"]) is None
    (one / "repermit.toml").write_text("")
    assert beside([one]) == beside([one / "a.csv"]) == beside([one, two]) == one / "repermit.toml"
    (two / "repermit.toml").write_text("")
    with pytest.raises(CallError, match="two mapping files"):
        beside([one, two])
