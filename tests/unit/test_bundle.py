"""The libraries in a page: kept on the disk, and used from there only where they are what was put together."""

from __future__ import annotations

import sys
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path

import pytest
import vl_convert

from repermit_reports import bundle, specs

VERSIONS = (version("vl-convert-python"), specs._version())


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    return tmp_path


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A small script in place of the libraries, with its digest known; the list tells how often it was put together."""
    often: list[str] = []

    def javascript_bundle(snippet: str, vl_version: str) -> str:
        often.append(vl_version)
        return f"/* é */ {snippet}\n"

    text = javascript_bundle("window.vegaEmbed = vegaEmbed;", "").strip()
    often.clear()
    monkeypatch.setattr(vl_convert, "javascript_bundle", javascript_bundle)
    monkeypatch.setattr(bundle, "DIGESTS", {VERSIONS: sha256(text.encode()).hexdigest()})
    return often


def ask(vega_lite: str = VERSIONS[1]) -> str:
    """What a new process would be given."""
    bundle.javascript.cache_clear()
    try:
        return bundle.javascript(vega_lite)
    finally:
        bundle.javascript.cache_clear()


def files(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def test_the_digest_is_that_of_the_libraries_as_put_together_and_kept(folder: Path) -> None:
    text = ask()
    assert sha256(text.encode()).hexdigest() == bundle.DIGESTS[VERSIONS]
    assert files(folder) == [f"repermit/charts-{bundle.DIGESTS[VERSIONS][:16]}.js"]
    assert (folder / files(folder)[0]).read_bytes() == text.encode()
    assert ask() == text
    assert "window.vegaEmbed" in text and "</script" not in text.lower()


def test_put_together_once_and_then_read(folder: Path, made: list[str]) -> None:
    first, again = ask(), ask()
    assert first == again == "/* é */ window.vegaEmbed = vegaEmbed;"
    assert made == [VERSIONS[1]]


@pytest.mark.parametrize(
    "kept", [b"alert(1)", b"", b"\xff\xfe", "/* é */ window.vegaEmbed = vegaEmbed; ".encode()]
)
def test_a_file_that_somebody_changed_is_not_used_and_is_replaced(
    folder: Path, made: list[str], kept: bytes
) -> None:
    text = ask()
    place = folder / files(folder)[0]
    place.write_bytes(kept)
    assert ask() == text
    assert place.read_bytes() == text.encode()
    assert len(made) == 2 and len(files(folder)) == 1


def test_libraries_of_another_version_or_other_bytes_are_never_kept(
    folder: Path, made: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert ask("5.21") == ask("5.21")
    monkeypatch.setattr(bundle, "DIGESTS", {VERSIONS: "0" * 64})
    ask()
    assert made == ["5.21", "5.21", VERSIONS[1]]
    assert files(folder) == []


def test_a_folder_that_takes_no_file_does_no_harm(
    folder: Path, made: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    digest = bundle.DIGESTS[VERSIONS]
    in_its_place = folder / "repermit" / f"charts-{digest[:16]}.js"
    in_its_place.mkdir(parents=True)
    assert ask() == "/* é */ window.vegaEmbed = vegaEmbed;"
    in_its_place.rmdir()

    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as full:
        full.setattr("os.replace", refuse)
        assert ask() == "/* é */ window.vegaEmbed = vegaEmbed;"
    assert files(folder) == []
    in_the_way = folder / "file"
    in_the_way.touch()
    monkeypatch.setenv("XDG_CACHE_HOME", str(in_the_way))
    assert ask() == "/* é */ window.vegaEmbed = vegaEmbed;"
    assert files(folder) == ["file"]
    assert len(made) == 3


@pytest.mark.parametrize(
    ("system", "environment", "folder"),
    [
        ("linux", {"HOME": "/home/any"}, "/home/any/.cache"),
        ("linux", {"HOME": "/home/any", "XDG_CACHE_HOME": "/elsewhere"}, "/elsewhere"),
        ("darwin", {"HOME": "/Users/any"}, "/Users/any/Library/Caches"),
        ("win32", {"LOCALAPPDATA": "/local"}, "/local"),
        ("win32", {}, None),
        ("linux", {"XDG_CACHE_HOME": "here"}, None),
    ],
)
def test_where_it_is_kept(
    system: str, environment: dict[str, str], folder: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", system)
    for name in ("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
        if name in environment:
            monkeypatch.setenv(name, environment[name])
    place = bundle._place("0123456789abcdef0")
    assert place == (Path(folder, "repermit", "charts-0123456789abcdef.js") if folder else None)
