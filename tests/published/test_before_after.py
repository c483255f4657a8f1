"""The shrunken past of a unit against a published example of gamma-Poisson rates."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.before_after import change_ratio

CASE: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "cases" / "before_after.toml").read_text(encoding="utf-8")
)["pumps"]


@pytest.mark.parametrize("pump", range(10))
def test_expected_after_is_the_shrunken_rate(pump: int) -> None:
    """One period; the pump is watched for one more unit of time, in which it fails twice."""
    events, exposure = [*CASE["events"], 2], [*CASE["exposure"], 1.0]
    unit, after = [*range(10), pump], [False] * 10 + [True]
    found = change_ratio(events, exposure, unit, np.zeros(11), after)
    assert found.shape == pytest.approx(CASE["shape"], abs=1e-4)
    assert round(found.shape, 2) == CASE["printed_shape"]
    assert found.expected == pytest.approx(CASE["shrunken"][pump], rel=1e-4)
    assert found.ratio == pytest.approx(2 / found.expected)
