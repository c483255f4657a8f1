"""Steps through the bytes of a file: its hash, how its lines end, and the first byte that is no text.

May import `errors`. Knows nothing of tables.
"""

from __future__ import annotations

import gzip
import hashlib
import io
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from repermit.errors import DataError

SPREADSHEETS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""How files of spreadsheet programs begin, whatever they are called."""
CHUNK = 1 << 19
"""Bytes read at a time. A line that fills a whole one is refused; the engine's reader would stop at 2 MB."""

CONTROLS = bytes(0 if byte < 9 or 14 <= byte < 32 else byte for byte in range(256))
"""Makes every control character that no text holds a NUL."""
DIGEST_CHUNK = 1 << 23
"""Large, so that another thread is seldom kept from its work."""


def open_bytes(path: Path, zipped: bool) -> BinaryIO:
    """The file's bytes, uncompressed."""
    return gzip.open(path, "rb") if zipped else path.open("rb")  # type: ignore[return-value]


@dataclass
class Lines:
    """How the lines of a file end, as far as it has been read."""

    lf: int = 0
    crlf: int = 0
    cr: int = 0
    since_end: int = 0
    """Bytes since the last line end."""
    in_print: bool = True
    """Whether no control character is among them, but for tabs and what ends lines or pages."""
    quoted: bool = False
    """Whether a quotation mark is among them: a row may take several lines only so."""

    @property
    def count(self) -> int:
        """How many there are, one that does not end among them."""
        return self.lf + self.cr - self.crlf + (self.since_end > 0)

    @property
    def plain(self) -> bool:
        """Whether all lines end alike, in LF or in CRLF: the engine's reader counts no others."""
        return self.crlf in (0, self.lf) and self.cr == self.crlf

    def at(self, data: bytes, offset: int) -> tuple[int, int]:
        """Line and byte within it, from 1, of an offset in the data that come next."""
        before = data[:offset]
        line = 1 + self.lf + self.cr - self.crlf + _ends(before)
        start = max(before.rfind(b"\n"), before.rfind(b"\r"))
        return line, offset - start if start >= 0 else self.since_end + offset + 1

    def add(self, data: bytes) -> None:
        """Step over the data."""
        cr = data.count(b"\r") if b"\r" in data else 0
        self.lf += data.count(b"\n")
        self.crlf += data.count(b"\r\n") if cr else 0
        self.cr += cr
        self.quoted = self.quoted or b'"' in data
        start = max(data.rfind(b"\n"), data.rfind(b"\r"))
        self.since_end = len(data) - start - 1 if start >= 0 else self.since_end + len(data)


def _ends(data: bytes) -> int:
    """How many lines end in the data, by any of the three ways."""
    return data.count(b"\n") + data.count(b"\r") - data.count(b"\r\n")


def digest_of(path: Path) -> str:
    """Hash of the bytes as stored."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(DIGEST_CHUNK):
            digest.update(block)
    return digest.hexdigest()


def check_text(path: Path, name: str, zipped: bool, above: int = 0) -> Lines:
    """How the lines end; refuses what is not UTF-8 text. `above` lines were taken off before the first."""
    lines, tail = Lines(lf=above), b""
    with open_bytes(path, zipped) as file:
        if file.read(8).startswith(SPREADSHEETS):
            hint = "Save its sheet as CSV in UTF-8 and ingest that."
            raise DataError(f"{name}: a spreadsheet or an archive, not CSV", hint=hint)
        file.seek(0)
        while block := file.read(CHUNK):
            tail = _check_chunk(tail + block, lines, name)
    _check_chunk(tail, lines, name, last=True)
    return lines


def _check_chunk(data: bytes, lines: Lines, name: str, *, last: bool = False) -> bytes:
    """Step over the chunk but for an unfinished character or line end, which is returned.

    Raises DataError at the first byte that is no text.
    """
    whole = len(data)
    try:
        if not data.isascii():
            data.decode("utf-8")
    except UnicodeDecodeError as error:
        if last or error.reason != "unexpected end of data" or error.end != len(data):
            raise _not_utf8(name, *lines.at(data, error.start), data[error.start :]) from None
        whole = error.start
    if b"\0" in data.translate(CONTROLS):
        lines.in_print = False
    if not lines.in_print and (nul := data.find(b"\0")) >= 0:
        line, byte = lines.at(data, nul)
        raise DataError(
            f"{name}, line {line}, byte {byte}: a NUL byte, so this is not a text file",
            hint="Export it again as CSV in UTF-8.",
        )
    if len(data) >= CHUNK and b"\n" not in data and b"\r" not in data:
        line, _ = lines.at(data, 0)
        raise DataError(
            f"{name}, line {line}: a line of more than {CHUNK:,} bytes, so this is not a table",
            hint="Export it again as CSV.",
        )
    if not last and data[:whole].endswith(b"\r"):
        whole -= 1
    lines.add(data[:whole])
    return data[whole:]


def _not_utf8(name: str, line: int, byte: int, start: bytes) -> DataError:
    utf16 = (line, byte) == (1, 1) and start[:2] in (b"\xff\xfe", b"\xfe\xff")
    looks = "it looks like UTF-16" if utf16 else "the file is not UTF-8"
    return DataError(
        f"{name}, line {line}, byte {byte}: {looks}",
        hint="Save it as CSV in UTF-8 and ingest it again, or name its encoding in a mapping file.",
    )


def plain_copy(
    path: Path, target: Path, name: str, zipped: bool, encoding: str = "utf-8", above: int = 0
) -> None:
    """A copy in UTF-8 in which every line ends in LF, without the lines `above` the header.

    Raises DataError where the bytes are not of that encoding.
    """
    with (
        io.TextIOWrapper(open_bytes(path, zipped), encoding, newline=None) as file,
        target.open("w", encoding="utf-8", newline="") as out,
    ):
        try:
            while above and (part := file.readline(CHUNK)):
                above -= part.endswith("\n")
            while block := file.read(CHUNK):
                out.write(block)
        except UnicodeError as error:
            raise DataError(
                f"{name}: the file is not {encoding}: {error.args[-1]}",
                hint="Give its encoding in the mapping file.",
            ) from error
