"""Every colour, size and default of pages and charts, for light and dark. May import nothing of the project.

A chart says what a mark means, not how it looks: it takes colours from `PALETTE` (readable in both schemes)
or names a style (`mark_rule(style="reference")`), and the page applies `chart_config` for the viewer's
scheme. A configuration of the chart's own is dropped.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import altair

Scheme = Literal["light", "dark"]

PALETTE = {
    "blue": "#2a69d8",
    "orange": "#e8661c",
    "teal": "#0f9f78",
    "plum": "#95569a",
    "brick": "#b8452d",
    "lilac": "#9582c6",
}
"""Colours of marks, in order of use; none means good or bad. Each has a contrast of 3:1 or more against both
backgrounds (WCAG 2.2, 1.4.11) and any two stay apart under simulated colour blindness; a test holds both."""

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Liberation Sans', Arial, sans-serif"

STILL_FONT = "'Liberation Sans', Arial, Helvetica, sans-serif"
"""Fonts of equal widths, so that a still picture fits wherever it is measured and shown."""

STILL_WIDTH = 680
"""Width in pixels of the still picture of a chart, for paper and for readers without scripts."""

COLOURS: dict[Scheme, dict[str, str]] = {
    "light": {
        "paper": "#ffffff",
        "panel": "#f4f6f8",
        "ink": "#1b1f24",
        "muted": "#57606a",
        "line": "#d3d9df",
        "link": "#1a56b8",
        "band": "#b7c9e6",
        "ramp_low": "#eef3fa",
        "ramp_high": "#86aae3",
    },
    "dark": {
        "paper": "#15181c",
        "panel": "#1e2328",
        "ink": "#e4e8ec",
        "muted": "#a5afba",
        "line": "#383f47",
        "link": "#8fb6ff",
        "band": "#2c4265",
        "ramp_low": "#1d232b",
        "ramp_high": "#2f5fae",
    },
}
"""`band` fills an interval drawn as an area. The ramp keeps text in `ink` readable on every step of it."""


def chart_config(scheme: Scheme = "light") -> dict[str, Any]:
    """The Vega-Lite configuration of every chart, on a transparent background.

    Styles a mark can name: "reference" (a thin dashed line to compare with), "limits" (the line of an
    interval), "band" (an interval as an area), "label" (text to the right of a mark), "quiet" (the same, in
    the muted colour).
    """
    colour = COLOURS[scheme]
    return {
        "background": "transparent",
        "padding": 4,
        "aria": False,
        "font": FONT,
        "mark": {"color": PALETTE["blue"]},
        "view": {"stroke": None, "continuousHeight": 260, "discreteHeight": {"step": 24}},
        "axis": _axis(colour),
        "axisBand": {"grid": False, "ticks": False, "domain": False},
        "legend": _legend(colour),
        "header": {
            "labelColor": colour["ink"],
            "titleColor": colour["ink"],
            "labelFontSize": 12.5,
            "labelLimit": 150,
        },
        "title": {"color": colour["ink"], "anchor": "start", "fontSize": 14, "fontWeight": 600},
        "point": {"filled": True, "size": 60, "opacity": 1},
        "line": {"strokeWidth": 2},
        "rule": {"color": colour["muted"]},
        "text": {"color": colour["ink"], "fontSize": 12},
        "range": {
            "category": list(PALETTE.values()),
            "ramp": [colour["ramp_low"], colour["ramp_high"]],
            "heatmap": [colour["ramp_low"], colour["ramp_high"]],
        },
        "style": {
            "reference": {"color": colour["muted"], "strokeDash": [4, 3], "strokeWidth": 1.25},
            "limits": {"color": PALETTE["blue"], "strokeWidth": 2},
            "band": {"color": colour["band"], "opacity": 0.8},
            "label": {"color": colour["ink"], "align": "left", "dx": 8},
            "quiet": {"color": colour["muted"], "align": "left", "dx": 8},
        },
    }


NARROW: dict[str, dict[str, Any]] = {"axis": {"labelLimit": 126}, "legend": {"columns": 2, "labelLimit": 130}}
"""What changes in the configuration on a narrow screen."""


def _axis(colour: dict[str, str]) -> dict[str, Any]:
    return {
        "labelColor": colour["ink"],
        "titleColor": colour["ink"],
        "labelFontSize": 12,
        "titleFontSize": 12.5,
        "titleFontWeight": 500,
        "titlePadding": 8,
        "labelLimit": 220,
        "labelPadding": 5,
        "labelOverlap": True,
        "gridColor": colour["line"],
        "domainColor": colour["muted"],
        "tickColor": colour["muted"],
        "tickCount": 6,
        "tickSize": 4,
    }


def _legend(colour: dict[str, str]) -> dict[str, Any]:
    return {
        "orient": "top",
        "direction": "horizontal",
        "labelColor": colour["ink"],
        "titleColor": colour["ink"],
        "labelFontSize": 12,
        "titleFontSize": 12.5,
        "titleFontWeight": 500,
        "columns": 3,
        "labelLimit": 175,
        "symbolSize": 90,
        "symbolStrokeWidth": 2,
    }


def utc_scale(**options: Any) -> altair.Scale:
    """A time scale that reads the same in every zone; `options` are those of altair.Scale."""
    import altair

    return altair.Scale(type="utc", **options)


def css_variables() -> str:
    """The page's colours as CSS: light everywhere, dark on a screen that asks for it."""
    light, dark = (
        "".join(f"--{name}:{value};" for name, value in COLOURS[scheme].items()) for scheme in COLOURS
    )
    return (
        f":root{{--font:{FONT};{light}color-scheme:light}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}color-scheme:dark}}}}\n"
    )
