"""One chart of a page as a picture of its own: SVG, or PNG at twice the size. Made without a browser.

May import `page`, `plain`, `render`'s way to write, `specs` and `theme`. The same chart gives the same bytes.
"""

from __future__ import annotations

from pathlib import Path

from repermit_reports import specs, theme
from repermit_reports.page import Page, Section
from repermit_reports.plain import plain
from repermit_reports.render import put

PNG_SCALE = 2


def write_picture(page: Page, section: Section, path: Path) -> Path:
    """Writes the chart of a section, in the light scheme on white, with what it shows and of what as its title.

    The ending of `path` says which: .png, else SVG. Raises StoreError where the disk refuses.
    """
    assert section.figure
    spec = specs.spec_of(section.figure.chart)
    spec["title"] = {"text": plain(section.title), "subtitle": plain(page.title)}
    text = specs.svg(spec, paper=theme.COLOURS["light"]["paper"])
    if path.suffix.lower() == ".png":
        import vl_convert

        return put(vl_convert.svg_to_png(text, scale=PNG_SCALE), path)
    return put(text.encode(), path)
