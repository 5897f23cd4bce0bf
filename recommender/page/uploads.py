"""Where a log that was sent to the page lies until it is on record: in a folder of our own, under a tame name."""

from __future__ import annotations

import re
import secrets
import shutil
import tempfile
import unicodedata
from pathlib import Path
from typing import BinaryIO, Final

#: Longest name that is kept of a log. [characters], and as UTF-8 [bytes], which file systems count
LONGEST: Final = 80
LONGEST_BYTES: Final = 240
#: Names that one operating system or another keeps for itself.
_RESERVED: Final = re.compile(r"(?i)^(con|prn|aux|nul|com\d|lpt\d)(\.|$)")


def tame(name: str) -> str:
    """A file name without anything that a file system, a shell, a page or a spreadsheet could take for a command.

    Letters and digits of any script stay, and single spaces, points, dashes and underscores between them; folders are
    cut off, everything else becomes an underscore.
    """
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", name))[-1]
    kept = "".join(sign if sign.isalnum() or sign in "._- " else "_" for sign in last)
    kept = re.sub(r"\s+", " ", re.sub(r"\.{2,}", ".", re.sub(r"_{2,}", "_", kept))).strip(" ._-")
    if not kept or _RESERVED.match(kept):
        kept = f"log {kept}".strip()
    if len(kept) > LONGEST:
        stem, dot, ending = kept.rpartition(".")
        keep = LONGEST - len(ending) - 1
        short = f"{stem[:keep].rstrip(' ._-')}.{ending}" if dot and 0 < len(ending) <= 8 else kept[:LONGEST]
        kept = short.rstrip(" ._-")
    while len(kept.encode()) > LONGEST_BYTES:
        stem, dot, ending = kept.rpartition(".")
        kept = f"{stem[:-1].rstrip(' ._-')}.{ending}" if dot and 0 < len(ending) <= 8 else kept[:-1].rstrip(" ._-")
    return kept


class Drop:
    """A private folder for logs on their way to the record. Each gets a folder of its own, with a name of our own."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="nextpull-"))  # readable by this user alone

    def keep(self, name: str, content: BinaryIO) -> Path:
        """Copy a log into the folder.

        Args:
            name: As the browser gives it; never trusted.
            content: The log.
        Returns:
            The copy.
        Raises:
            OSError: it cannot be written, for example because the disk is full; nothing of it is left there.
        """
        place = self.folder / secrets.token_hex(8)
        try:
            place.mkdir(mode=0o700)
            kept = place / tame(name)
            with kept.open("xb") as out:
                shutil.copyfileobj(content, out, 1024 * 1024)
        except OSError:
            shutil.rmtree(place, ignore_errors=True)
            raise
        return kept

    def forget(self, kept: Path) -> None:
        """Remove a copy."""
        shutil.rmtree(kept.parent, ignore_errors=True)

    def close(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
