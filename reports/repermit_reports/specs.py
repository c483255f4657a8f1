"""Turns an Altair chart into a specification that is safe to put into a page, and into a still picture.

May import `bundle`, `plain` and `theme` only. What it refuses (ValueError) is a mistake of the code that made the
chart, whatever the data: numbers that are not finite, data from an address, times that would follow the
viewer's zone.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.parsers import expat

from repermit_reports import bundle, theme
from repermit_reports.plain import plain_values

if TYPE_CHECKING:
    import altair

Spec = dict[str, Any]

_COMPOSED = ("hconcat", "vconcat", "concat", "facet", "repeat")
_ZONELESS = re.compile(r"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)(?:\+00:?00)?")
_FONTS = ("/usr/share/fonts", "/usr/local/share/fonts", "~/.local/share/fonts", "~/.fonts")
_SVG_TAGS = {"svg", "g", "path", "text", "tspan", "defs", "clipPath", "rect", "circle", "line", "title",
             "linearGradient", "stop"}  # fmt: skip


def spec_of(chart: altair.TopLevelMixin) -> Spec:
    """The chart as a Vega-Lite specification: width the page's, times in UTC, no configuration of its own.

    A composed chart (facets, charts side by side) keeps its own widths; its box scrolls where it is too wide.
    """
    from altair.utils import schemapi

    spec: Spec = plain_values(chart.to_dict(validate=schemapi.DEBUG_MODE))
    for key in ("config", "usermeta", "$schema", "background", "padding"):
        spec.pop(key, None)
    _refuse_addresses(spec)
    _use_utc(spec)
    if not composed(spec):
        spec |= {"width": "container", "autosize": {"type": "fit-x", "contains": "padding"}}
    return spec


@contextmanager
def unchecked() -> Iterator[None]:
    """Charts made meanwhile are not held against Altair's schema, which takes half of the time to make them.

    A chart that breaks it is a mistake of the code, whatever the data, which tests see.
    """
    from altair.utils import schemapi

    with schemapi.debug_mode(False):
        yield


def composed(spec: Spec) -> bool:
    """Whether the chart is made of several plots and so can't take its width from the page."""
    return any(key in spec for key in _COMPOSED) or bool(
        {"row", "column", "facet"} & spec.get("encoding", {}).keys()
    )


def json_text(value: Any) -> str:
    """JSON that can stand inside a script element: nothing ends the element, NaN and infinity are refused."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return re.sub("[<>&\u2028\u2029]", lambda found: f"\\u{ord(found[0]):04x}", text)


def svg(spec: Spec, *, width: int = theme.STILL_WIDTH, paper: str = "transparent") -> str:
    """The chart drawn without a browser, in the light scheme: an SVG text that loads and runs nothing."""
    import vl_convert

    json_text(spec)
    _fonts()
    still = _untold(spec) | ({} if composed(spec) else {"width": width})
    config = theme.chart_config() | {"background": paper, "font": theme.STILL_FONT}
    text: str = vl_convert.vegalite_to_svg(still, vl_version=_version(), config=config, allowed_base_urls=[])
    if strange := _tags(text) - _SVG_TAGS:
        raise ValueError(f"a still picture holds {', '.join(sorted(strange))}")
    return _named_anew(text)


def _untold(value: Any) -> Any:
    """Without what a mark tells when pointed at, which a still picture can't show; rows are left as they are."""
    if isinstance(value, dict):
        return {k: v if k in _ROWS else _untold(v) for k, v in value.items() if k != "tooltip"}
    return [_untold(inner) for inner in value] if isinstance(value, list) else value


def _tags(text: str) -> set[str]:
    tags: set[str] = set()
    parser = expat.ParserCreate()
    parser.StartElementHandler = lambda name, _: tags.add(name)
    parser.Parse(text, True)
    return tags


@cache
def _fonts() -> None:
    """The library measures texts with the font that it carries; those of the machine come after it, for letters it lacks.

    Left alone it takes the machine's first, and opens its file anew for each letter of each text.
    """
    import vl_convert

    before = os.environ.get("FONTCONFIG_FILE")
    try:
        with as_file(files("repermit_reports").joinpath("templates", "fonts.conf")) as none:
            os.environ["FONTCONFIG_FILE"] = str(none)
            for folder in _FONTS:
                vl_convert.register_font_directory(str(Path(folder).expanduser()))
    finally:
        os.environ.pop("FONTCONFIG_FILE")
        if before is not None:
            os.environ["FONTCONFIG_FILE"] = before


def _named_anew(text: str) -> str:
    """The picture with its clips numbered from 1: the library numbers on from one picture of the process to the next."""
    names = dict.fromkeys(re.findall(r'<clipPath id="(clip\d+)"', text))
    number = {name: f"clip{i}" for i, name in enumerate(names, 1)}
    used = r'(<clipPath id="|clip-path="url\(#)(clip\d+)(?=["\)])'
    return re.sub(used, lambda found: found[1] + number.get(found[2], found[2]), text) if names else text


def javascript() -> str:
    """The libraries that draw the charts, as one script without anything that ends a script element."""
    return bundle.javascript(_version())


def _version() -> str:
    """The version of Vega-Lite that Altair writes for, as vl_convert names it: "6.4"."""
    from altair import SCHEMA_VERSION

    return SCHEMA_VERSION.removeprefix("v").rpartition(".")[0]


def _dicts(value: Any, without: tuple[str, ...] = ()) -> Iterator[dict[str, Any]]:
    """Every dict inside `value`, outermost first, not looking under the keys of `without`."""
    if isinstance(value, dict):
        yield value
        for key, inner in value.items():
            if key not in without:
                yield from _dicts(inner, without)
    elif isinstance(value, list):
        for inner in value:
            yield from _dicts(inner, without)


_ROWS = ("datasets", "values")


def _refuse_addresses(spec: Spec) -> None:
    for part in _dicts(spec, _ROWS):
        if isinstance(part.get("data"), dict) and "url" in part["data"]:
            raise ValueError("a chart must carry its data, not an address")
        if {"href", "url"} & part.get("encoding", {}).keys():
            raise ValueError("a mark must not link or load anything")


def _use_utc(spec: Spec) -> None:
    """Gives every time axis a UTC scale and every time in its field a zone; refuses what would stay local."""
    fields: set[str] = set()
    for part in _dicts(spec, _ROWS):
        unit = part.get("timeUnit")
        if unit and not (unit.get("utc") if isinstance(unit, dict) else str(unit).startswith("utc")):
            raise ValueError(f"the time unit {unit} follows the viewer's zone: use its utc form")
        for channel, definition in part.get("encoding", {}).items():
            fields |= _utc_fields(channel, definition, part["encoding"])
    for row in _dicts(spec):
        for name in fields & row.keys():
            if isinstance(row[name], str) and (zoneless := _ZONELESS.fullmatch(row[name])):
                row[name] = zoneless[1] + "Z"


def _utc_fields(channel: str, definition: Any, encoding: Spec) -> set[str]:
    """The time fields of one channel, whose scale it sets to UTC; with them the other end (x2 of x)."""
    fields: set[str] = set()
    for one in definition if isinstance(definition, list) else [definition]:
        if isinstance(one, dict) and one.get("type") == "temporal":
            if channel in ("text", "tooltip", "row", "column", "facet"):
                raise ValueError(f"give times in the channel {channel} as text")
            one["scale"] = {"type": "utc"} | (one.get("scale") or {})
            fields |= {one.get("field", ""), encoding.get(f"{channel}2", {}).get("field", "")}
    return fields - {""}
