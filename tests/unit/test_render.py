"""The HTML of a page without a browser: escaping, order, policy, charts, colours, files."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import math
import os
import re
from dataclasses import replace
from datetime import date, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
import pytest

from repermit.errors import StoreError
from repermit_reports import specs, theme
from repermit_reports.charts.plot import plot
from repermit_reports.page import Column, Figure, Page, Section, Table
from repermit_reports.plain import plain, plain_values
from repermit_reports.render import Cell, cell, render, write

TABLE = Table(
    "causes-table",
    "By cause",
    (Column("cause", "Cause"), Column("faults", "Faults", kind="integer")),
    (("corrosion", 1240), ("bad crimp", None)),
)


def bars(names: list[str]) -> Any:
    rows = [{"name": name, "faults": at + 1} for at, name in enumerate(names)]
    return (
        alt.Chart(alt.InlineData(values=rows)).mark_bar().encode(x="faults:Q", y=alt.Y("name:N", sort=names))
    )


def page(name: str = "corrosion", kind: str = "monthly", chart: alt.TopLevelMixin | None = None) -> Page:
    figure = Figure("causes-figure", chart or bars([name, "bad crimp"]), f"{name} leads.")
    rows = ((name, 1240), ("bad crimp", None))
    section = Section("causes", name, name, figure, replace(TABLE, rows=rows, caption=name), (name,))
    return Page(
        kind,
        name,
        name,
        name,
        name,
        (section,),
        (f"Caution {name}",),
        (f"Data {name}",),
        (f"Method {name}",),
        (f"Assumption {name}",),
        "Records before 2024-07-01",
    )


class Seen(HTMLParser):
    """Collects the tags, the attributes and the text of scripts and headings."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: dict[str, list[str]] = {"script": [], "style": [], "h1": [], "h2": []}
        self.open = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.open = tag
        if tag in self.texts:
            self.texts[tag].append("")

    def handle_endtag(self, tag: str) -> None:
        self.open = ""

    def handle_data(self, data: str) -> None:
        if self.open in self.texts:
            self.texts[self.open][-1] += data


def test_the_same_page_gives_the_same_bytes() -> None:
    assert render(page()) == render(page())


HOSTILE = [
    "<script>alert(1)</script>",
    "</script>",
    '"><img src=x onerror=alert(1)>',
    "' onload='alert(1)",
    "{{ 7*7 }}",
    "=1+1",
    "<!-- <script>",
    "]]>",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_text_makes_no_element_and_no_attribute(name: str) -> None:
    tame, hostile = Seen(render(page("corrosion"))), Seen(render(page(name)))
    assert [tag for tag, _ in hostile.tags] == [tag for tag, _ in tame.tags]
    assert [list(attributes) for _, attributes in hostile.tags] == [
        list(attributes) for _, attributes in tame.tags
    ]
    assert hostile.texts["h1"] == [name]
    assert hostile.texts["script"][1:] == tame.texts["script"][1:]
    drawn = json.loads(hostile.texts["script"][0])["specs"]["causes-figure"]
    assert [row["name"] for row in next(iter(drawn["datasets"].values()))] == [name, "bad crimp"]


def test_the_policy_names_every_script_and_style_and_nothing_else() -> None:
    seen = Seen(render(page()))
    policy = next(attributes["content"] or "" for _, attributes in seen.tags if attributes.get("http-equiv"))
    assert "unsafe" not in policy
    assert policy.startswith("default-src 'none'")
    hashes = set(re.findall(r"'sha256-([^']+)'", policy))
    texts = seen.texts["script"][1:] + seen.texts["style"]
    assert hashes == {base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts}
    addresses = [
        attributes[name] or ""
        for _, attributes in seen.tags
        for name in ("src", "href")
        if name in attributes
    ]
    assert all(address.startswith(("data:", "#")) for address in addresses)


def test_a_page_with_charts_is_under_a_megabyte_and_a_half_and_without_is_small() -> None:
    assert len(render(page()).encode()) < 1_500_000
    bare = page()
    assert len(render(replace(bare, sections=(replace(bare.sections[0], figure=None),))).encode()) < 30_000


@pytest.mark.parametrize(
    ("kind", "order"),
    [
        ("monthly", ["corrosion", "Data used", "Methods and sources", "Assumptions", "Cautions"]),
        ("shop", ["Cautions", "corrosion", "Data used", "Methods and sources", "Assumptions"]),
    ],
)
def test_the_end_has_a_fixed_order_and_a_shop_reads_the_cautions_first(kind: str, order: list[str]) -> None:
    seen = Seen(render(page(kind=kind)))
    assert seen.texts["h2"] == order
    assert len(seen.texts["h1"]) == 1


def test_a_long_page_has_a_table_of_contents_and_a_short_one_has_none() -> None:
    short = page()
    sections = tuple(Section(f"part-{at}", f"Part {at}", "Text.") for at in range(4))
    long = render(replace(short, sections=sections))
    assert '<a href="#part-3">Part 3</a>' in long
    assert '<a href="#page_cautions">Cautions</a>' in long
    assert "<nav" not in render(short)


def test_the_table_is_folded_behind_a_figure_and_open_without() -> None:
    behind = page()
    assert "<details>" in render(behind)
    assert "<details>" not in render(replace(behind, sections=(replace(behind.sections[0], figure=None),)))


def test_only_what_stands_behind_something_is_folded() -> None:
    long = replace(TABLE, rows=TABLE.rows * 20)
    plain_ = replace(page(), sections=(Section("one", "One", "Text.", table=long),))
    assert "<details>" not in render(plain_)
    assert (
        render(
            replace(plain_, sections=(replace(plain_.sections[0], table=replace(long, folded=True)),))
        ).count("<details>")
        == 1
    )
    assert render(replace(plain_, sections=(), data_used=(long,))).count("<details>") == 1
    assert "<details>" not in render(replace(plain_, sections=(), data_used=(TABLE,)))
    with_both = replace(page().sections[0], drawn=replace(TABLE, id="drawn-table"))
    assert render(replace(page(), sections=(with_both,))).count("<details>") == 2


def test_unknown_cells_say_so() -> None:
    assert '<td class="figures" title="not known" data-unknown>–</td>' in render(page())  # noqa: RUF001
    assert '<td class="figures" data-sort="1240.0">1,240</td>' in render(page())


def test_cells_sort_by_value_not_by_text() -> None:
    assert cell((2.1, 1.2, 3.4), Column("rate", "Rate", kind="interval")).sort == "2.1"
    assert cell((None, 41.0, None), Column("days", "Days", kind="interval")).sort == "41.0"
    assert cell((6, 50), Column("back", "Back", kind="share")).sort == "0.12"
    assert cell((0, 0), Column("back", "Back", kind="share")).sort is None
    assert cell(0.12, Column("risk", "Risk", kind="percent")) == Cell("12 %", "0.12")
    assert cell(1240.4, Column("cost", "Cost", kind="money")) == Cell("1,240", "1240.4")
    assert cell("10", Column("name", "Name")) == Cell("10", None)
    assert cell(date(2024, 3, 1), Column("on", "On", kind="date")).sort == "2024-03-01"
    with pytest.raises(ValueError, match="can't be shown"):
        cell(math.nan, Column("n", "N", kind="number"))


@pytest.mark.parametrize("bad", ["1abc", "a b", 'a"b', "", "A", "page_data"])
def test_ids_that_could_not_be_the_pages_own_are_refused(bad: str) -> None:
    with pytest.raises(ValueError, match="id"):
        replace(page(), sections=(Section(bad, "Title", "Text."),))


def test_an_id_used_twice_and_a_row_that_does_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="2 times"):
        replace(page(), sections=(Section("one", "Title", "Text."), Section("one", "Title", "Text.")))
    with pytest.raises(ValueError, match="a row of 1 under 2 columns"):
        replace(TABLE, rows=(("corrosion",),))
    with pytest.raises(ValueError, match="kind"):
        Column("name", "Name", kind="gauge")  # type: ignore[arg-type]


def test_writing_replaces_in_one_step_and_leaves_nothing_beside(tmp_path: Path) -> None:
    target = tmp_path / "deep" / "page.html"
    assert write(page("old"), target) == target
    write(page("new"), target)
    assert target.read_text(encoding="utf-8") == render(page("new"))
    assert [file.name for file in target.parent.iterdir()] == ["page.html"]
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="can't be written"):
        write(page(), tmp_path / "file" / "page.html")


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_chart_with_a_number_that_is_not_finite_is_refused(value: float) -> None:
    chart = alt.Chart(alt.InlineData(values=[{"x": value}])).mark_point().encode(x="x:Q")
    with pytest.raises(ValueError, match="not JSON compliant"):
        render(page(chart=chart))


def test_layers_of_a_plot_are_those_of_a_chart_that_is_copied_whole() -> None:
    rows = [{"x": 1, "y": 2}, {"x": 2, "y": 3}]

    def layered(base: alt.Chart) -> alt.VConcatChart:
        base = base.encode(x=alt.X("x:Q"), y=alt.Y("y:Q"))
        label = base.transform_filter("datum.x > 1").mark_text().encode(text=alt.Text("y:Q"))
        tip = base.mark_point().encode(y=alt.Y("x:Q", title="other"), tooltip=[alt.Tooltip("y:Q")])
        both: alt.LayerChart = alt.layer(base.mark_line(), label, tip).properties(height=50)
        other: alt.LayerChart = alt.layer(base.mark_line(), label.properties(height=60))
        together: alt.VConcatChart = both & other
        return together

    made = layered(plot(rows))
    assert made.to_dict() == layered(alt.Chart(alt.InlineData(values=rows))).to_dict() == made.to_dict()


def test_a_chart_that_loads_or_links_is_refused() -> None:
    with pytest.raises(ValueError, match="must carry its data"):
        specs.spec_of(alt.Chart(alt.UrlData(url="data.json")).mark_point())
    with pytest.raises(ValueError, match="must not link"):
        specs.spec_of(bars(["a"]).encode(href="name:N"))


def test_times_in_charts_are_utc_whatever_the_frame_held() -> None:
    frame = pl.DataFrame({"at": [datetime(2024, 1, 1, 3)], "on": [date(2024, 1, 1)]}).with_columns(
        zoned=pl.col("at").dt.replace_time_zone("UTC"), name=pl.lit("2024-01-01T03:00:00")
    )
    base = alt.Chart(frame).mark_rule()
    spec = specs.spec_of(alt.layer(base.encode(x="at:T", x2="zoned"), base.encode(x="on:T", y="name:N")))
    row = next(iter(spec["datasets"].values()))[0]
    assert row == {
        "at": "2024-01-01T03:00:00Z",
        "on": "2024-01-01T00:00:00Z",
        "zoned": "2024-01-01T03:00:00Z",
        "name": "2024-01-01T03:00:00",
    }
    assert spec["layer"][0]["encoding"]["x"]["scale"] == {"type": "utc"}
    for bad in ({"x": "yearmonth(on):T"}, {"x": "on:T", "tooltip": ["on:T"]}):
        with pytest.raises(ValueError, match=r"zone|as text"):
            specs.spec_of(base.encode(**bad))
    specs.spec_of(base.encode(x="utcyearmonth(on):T"))


def test_a_chart_keeps_no_configuration_and_takes_its_width_from_the_page() -> None:
    spec = specs.spec_of(bars(["a"]).properties(width=900).configure_view(stroke="red"))
    assert "config" not in spec
    assert spec["width"] == "container"
    assert specs.composed(specs.spec_of(bars(["a"]).facet("name:N")))
    assert specs.composed(specs.spec_of(bars(["a"]) | bars(["b"])))


MEMBERS = ["__proto__", "constructor", "toString", "hasOwnProperty", "valueOf", "plain"]


@pytest.mark.parametrize("name", MEMBERS)
def test_names_that_every_javascript_object_has_are_drawn(name: str) -> None:
    names = [name, "b", "c"]
    coloured = bars(names).encode(color=alt.Color("name:N", sort=names))
    picture = specs.svg(specs.spec_of(coloured))
    assert picture.count(f">{name}\u2060<" if name in MEMBERS[:-1] else f">{name}<") == 2
    bars_drawn = re.search(r'class="mark-rect role-mark[^>]*>(.*?)</g>', picture)
    assert bars_drawn is not None
    assert bars_drawn[1].count("<path") == 3


def test_a_still_picture_holds_text_and_no_script() -> None:
    picture = specs.svg(specs.spec_of(bars(["<script>alert(1)</script>", "\u202eabc", 'x" onload="y'])))
    assert "<script" not in picture
    assert "\u202e" not in picture
    assert "onload=" not in re.sub(r">[^<]*<", "><", picture)


def test_a_still_picture_shows_the_rows_whole_and_leaves_the_pages_chart_as_it_is() -> None:
    rows = [{"x": 1, "tooltip": "a name"}]
    marks = plot(rows).mark_text().encode(x=alt.X("x:Q"), text=alt.Text("tooltip:N"))
    told = specs.spec_of(marks.encode(tooltip=[alt.Tooltip("x:Q", title="told")]))
    before = json.dumps(told)
    picture = specs.svg(told)
    assert json.dumps(told) == before and "told" in before
    assert ">a name<" in picture and picture == specs.svg(specs.spec_of(marks))


def test_a_still_picture_is_the_same_whatever_was_drawn_before() -> None:
    clipped = alt.Chart(alt.InlineData(values=[{"n": 1}])).mark_point(clip=True).encode(x="n:Q")
    spec = specs.spec_of(alt.layer(clipped, clipped))
    first = specs.svg(spec)
    assert re.findall(r'<clipPath id="(.*?)"', first) == ["clip1", "clip2"]
    assert sorted(re.findall(r'clip-path="url\(#(.*?)\)"', first)) == ["clip1", "clip2"]
    assert specs.svg(spec) == first


def test_a_still_picture_is_measured_with_the_font_that_the_library_carries(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """All its digits are equally wide, but two ones stand closer; older copies of it, as machines have them, do without."""

    def width(name: str) -> float:
        chart = alt.Chart(alt.InlineData(values=[{"name": name}])).mark_point().encode(color="name:N")
        found = re.search(r'class="background"[^>]*d="M0,0h(\d+)v(?=[^>]*/><g><g class="mark-group role-legend-entry)',
                          specs.svg(specs.spec_of(chart)))  # fmt: skip
        assert found is not None
        return float(found[1])

    monkeypatch.setenv("FONTCONFIG_FILE", "one.conf")
    specs._fonts.cache_clear()
    assert width("1" * 12) < width("0" * 12) == width("8" * 12)
    assert os.environ["FONTCONFIG_FILE"] == "one.conf"


def test_invisible_characters_are_shown() -> None:
    assert plain("a\u202eb\x00c\u200f\ud800") == "a[U+202E]b[U+0000]c[U+200F][U+D800]"
    assert plain("tab\tline\n é 漢 😀") == "tab\tline\n é 漢 😀"
    assert plain_values({"\u202ekey": ["\u202e", 1, None]}) == {"\u202ekey": ["[U+202E]", 1, None]}
    assert "\u202e" not in render(page("\u202eabc\u202c"))


# Colour blindness of full severity on linear RGB: Machado, Oliveira & Fernandes 2009, IEEE Transactions on
# Visualization and Computer Graphics 15(6), 1291-1298, supplementary table.
SIGHTS = {
    "full": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "no red cones": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "no green cones": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "no blue cones": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def linear(colour: str) -> list[float]:
    """sRGB to linear RGB, IEC 61966-2-1."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    return [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio."""
    light = sorted(
        sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear(x), strict=True)) for x in (one, other)
    )
    return (light[1] + 0.05) / (light[0] + 0.05)


def oklab(rgb: list[float]) -> list[float]:
    """Linear RGB to Oklab: Ottosson 2020, "A perceptual color space for image processing"."""
    r, g, b = (min(1, max(0, part)) for part in rgb)
    long, middle, short = (
        value ** (1 / 3)
        for value in (
            0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b,
            0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b,
            0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b,
        )
    )
    return [
        0.2104542553 * long + 0.7936177850 * middle - 0.0040720468 * short,
        1.9779984951 * long - 2.4285922050 * middle + 0.4505937099 * short,
        0.0259040371 * long + 0.7827717662 * middle - 0.8086757660 * short,
    ]


@pytest.mark.parametrize("sight", SIGHTS)
def test_any_two_colours_of_the_palette_stay_apart(sight: str) -> None:
    seen = {
        name: oklab([sum(w * c for w, c in zip(row, linear(colour), strict=True)) for row in SIGHTS[sight]])
        for name, colour in theme.PALETTE.items()
    }
    for one, other in itertools.combinations(seen, 2):
        assert math.dist(seen[one], seen[other]) > 0.08, (
            one,
            other,
        )  # common practice: 0.02 is just noticeable


@pytest.mark.parametrize("scheme", theme.COLOURS)
def test_contrast_is_enough_in_both_schemes(scheme: theme.Scheme) -> None:
    colour = theme.COLOURS[scheme]
    for text, ground in itertools.product(("ink", "muted", "link"), ("paper", "panel")):
        assert contrast(colour[text], colour[ground]) >= 4.5
    for ground in ("ramp_low", "ramp_high", "band"):
        assert contrast(colour["ink"], colour[ground]) >= 4.5
    for mark in theme.PALETTE.values():
        assert contrast(mark, colour["paper"]) >= 3


def test_charts_start_from_a_transparent_background_and_the_palette() -> None:
    config = theme.chart_config("dark")
    assert config["background"] == "transparent"
    assert config["range"]["category"] == list(theme.PALETTE.values())
    assert theme.utc_scale(zero=False).to_dict() == {"type": "utc", "zero": False}
