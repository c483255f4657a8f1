"""Where the files that are not Python lie: `sql/` and `sample_data/`, in a wheel or in a checkout.

May import nothing of the package but `errors`.
"""

from __future__ import annotations

from pathlib import Path

PACKAGE = Path(__file__).parent


def folder(name: str) -> Path:
    """The folder `name`: inside the package in a wheel, at the top of the checkout otherwise."""
    for place in (PACKAGE / name, PACKAGE.parents[1] / name):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"the installation lacks its folder {name}")
