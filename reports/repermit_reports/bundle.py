"""The libraries that draw the charts in a page, as one script: put together once and kept on the disk.

May import nothing of the project. It takes longer to put together than all else of a small page. What runs in a page must
not come from a file that others may write, so the file kept is used only where it has the digest that stands here.
"""

from __future__ import annotations

import os
import re
import sys
from contextlib import suppress
from functools import cache
from hashlib import sha256
from pathlib import Path

DIGESTS = {("1.9.0.post1", "6.4"): "373b1f84072b31010f15ceb787be6b415c53936411aae267c8c2b2b6ccde46e7"}
"""SHA-256 of the script by the versions of vl-convert-python and of Vega-Lite; any other is never kept."""

_SNIPPET = "window.vegaEmbed = vegaEmbed;"


@cache
def javascript(vega_lite: str) -> str:
    """The script for a version of Vega-Lite, such as "6.4". Nothing in it ends a script element."""
    from importlib.metadata import version

    digest = DIGESTS.get((version("vl-convert-python"), vega_lite))
    place = _place(digest) if digest else None
    if place is None:
        return _put_together(vega_lite)
    with suppress(OSError):
        kept = place.read_bytes()
        if sha256(kept).hexdigest() == digest:
            return kept.decode()
    text = _put_together(vega_lite)
    if sha256(text.encode()).hexdigest() == digest:
        _keep(text.encode(), place)
    return text


def _put_together(vega_lite: str) -> str:
    import vl_convert

    text: str = vl_convert.javascript_bundle(snippet=_SNIPPET, vl_version=vega_lite)
    if re.search(r"</script|<!--|\r", text, re.IGNORECASE):
        raise ValueError("the JavaScript libraries can't stand inside a page as they are")
    return text.strip()


def _place(digest: str) -> Path | None:
    """The file in the user's folder of what may be deleted; None where there is no such folder."""
    own = {"win32": os.environ.get("LOCALAPPDATA", ""), "darwin": "~/Library/Caches"}.get(
        sys.platform, "~/.cache"
    )
    folder = Path(os.path.expanduser(os.environ.get("XDG_CACHE_HOME") or own))
    return folder / "repermit" / f"charts-{digest[:16]}.js" if folder.is_absolute() else None


def _keep(content: bytes, place: Path) -> None:
    """Puts the file there whole or not at all. Where it can't be written, the script is put together again next time."""
    part = place.with_name(f".{place.name}.{os.getpid()}")
    with suppress(OSError):
        place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            with part.open("xb") as file:
                file.write(content)
            os.replace(part, place)
        finally:
            part.unlink(missing_ok=True)
