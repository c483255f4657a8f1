"""Fixtures for every test folder: one time zone, one folder a test, the command line in this process.

What the program keeps for the user goes to a folder of the run, which all its processes share.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

os.environ["TZ"] = "UTC"
time.tzset()
if "PYTEST_XDIST_WORKER" not in os.environ:
    os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="repermit-tests-")
    atexit.register(shutil.rmtree, os.environ["XDG_CACHE_HOME"], ignore_errors=True)

Run = Callable[..., Result]


@pytest.fixture
def repermit(tmp_path: Path) -> Run:
    """Runs the program: `repermit("rates", "--by", "position", store=path)`; the store is the test's own by default."""
    from repermit.cli.main import app

    def run(*arguments: str | Path, store: Path | None = None) -> Result:
        words = [str(argument) for argument in arguments]
        return CliRunner().invoke(app, [*words, "--store", str(store or tmp_path / "store.duckdb")])

    return run
