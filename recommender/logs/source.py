"""Bytes of a log file: opened, unpacked, fingerprinted. Never more in memory than asked for."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final, cast

from recommender.logs.errors import LogError

#: Largest text a compressed log may unpack to. [bytes]
LARGEST_TEXT: Final = 2_000_000_000
#: Files by which a zip archive is known as a workbook: of Office Open XML, and of OpenDocument.
WORKBOOK_PARTS: Final = frozenset({"[Content_Types].xml", "content.xml"})
#: Faults that a damaged compressed file can raise while it is read.
UNPACK_FAULTS: Final = (
    OSError,
    EOFError,
    zlib.error,
    lzma.LZMAError,
    zipfile.BadZipFile,
    RuntimeError,
    NotImplementedError,
)


def sha256_of(path: Path) -> str:
    """SHA-256 of the file as it lies on disk, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def checked(path: Path) -> Path:
    """The path, if it is a readable file with something in it.

    Raises:
        LogError: no such file, a folder, or empty.
    """
    if not path.exists():
        raise LogError(f"{path}: no such file. Give the path of a log file.")
    if path.is_dir():
        raise LogError(f"{path}: is a folder, expected one log file. Name the file in it.")
    if path.stat().st_size == 0:
        raise LogError(f"{path.name}: the file is empty (0 bytes). Save the log again.")
    return path


def magic_of(path: Path) -> str:
    """What kind of file the first bytes say it is: gzip, zip, bzip2, xz, parquet, mdf, or text."""
    with path.open("rb") as stream:
        head = stream.read(8)
    marks = (
        (b"\x1f\x8b", "gzip"),
        (b"PK\x03\x04", "zip"),
        (b"BZh", "bzip2"),
        (b"\xfd7zXZ\x00", "xz"),
        (b"PAR1", "parquet"),
        (b"MDF ", "mdf"),
        (b"UnFinMF ", "mdf"),
    )
    return next((kind for mark, kind in marks if head.startswith(mark)), "text")


class _Limited(io.RawIOBase):
    """A stream that stops with an error once too much has come out of it."""

    def __init__(self, stream: IO[bytes], name: str) -> None:
        self._stream, self._name, self._read = stream, name, 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        data = self._stream.read(len(buffer))
        buffer[: len(data)] = data
        self._read += len(data)
        if self._read > LARGEST_TEXT:
            raise LogError(
                f"{self._name}: more than {LARGEST_TEXT / 1e9:g} GB of text. "
                "Cut the recording to the part with the pull, or export it as Parquet."
            )
        return len(data)


def _zip_member(archive: zipfile.ZipFile, name: str) -> zipfile.ZipInfo:
    members = [item for item in archive.infolist() if not item.is_dir() and not item.filename.startswith("__MACOSX")]
    if {item.filename for item in members} & WORKBOOK_PARTS:
        raise LogError(
            f"{name}: a workbook of a spreadsheet, not a log. Save the sheet with the log in it as CSV and add that."
        )
    if len(members) != 1:
        listed = ", ".join(item.filename for item in members[:5]) or "nothing"
        raise LogError(
            f"{name}: {len(members)} files in the archive ({listed}), expected one log. Unpack it and add one."
        )
    return members[0]


def _unpacking(path: Path, kind: str) -> IO[bytes]:
    if kind == "gzip":
        return cast(IO[bytes], gzip.open(path, "rb"))
    if kind == "bzip2":
        return cast(IO[bytes], bz2.open(path, "rb"))
    return lzma.open(path, "rb") if kind == "xz" else path.open("rb")


@contextmanager
def opened(path: Path) -> Iterator[IO[bytes]]:
    """The unpacked bytes of a log file as a buffered stream.

    Raises:
        LogError: the archive is damaged, holds several files, or unpacks to too much.
    """
    kind = magic_of(path)
    try:
        if kind == "zip":
            with zipfile.ZipFile(path) as archive, archive.open(_zip_member(archive, path.name)) as stream:
                yield io.BufferedReader(_Limited(stream, path.name), 1 << 20)
            return
        with _unpacking(path, kind) as stream:
            yield io.BufferedReader(_Limited(stream, path.name), 1 << 20)
    except LogError:
        raise
    except UNPACK_FAULTS as fault:
        raise LogError(
            f"{path.name}: cannot be read to its end as {kind} ({fault}). It may be cut short: copy it again."
        ) from fault


def text_of(stream: IO[bytes], encoding: str) -> io.TextIOWrapper:
    """Bytes of a log as text; bytes that are none in its encoding are replaced."""
    return io.TextIOWrapper(stream, encoding=encoding, errors="replace", newline=None)
