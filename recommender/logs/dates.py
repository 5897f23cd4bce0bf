"""The day on which a log was written, as far as its own rows say it."""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from typing import Final

_ISO: Final = re.compile(r"(?<![\d/.-])(20\d\d)([-/.])(\d\d)\2(\d\d)(?!\d)")
_DOTTED: Final = re.compile(r"(?<![\d.])(\d{1,2})\.(\d{1,2})\.(20\d\d)(?![\d.])")
#: The year from which a logger's clock that was never set counts in most cases; such dates say nothing.
NEVER_SET: Final = 2000


def day_in(cells: Sequence[str]) -> datetime.date | None:
    """The day in the cells of one row; None where there is none, or one that can be read two ways (``4/5/2026``).

    Args:
        cells: ``2026-04-20``, ``2026-04-20T10:00:00.000``, ``2026/04/20`` or ``20.04.2026 10:00:00`` in any of them.
    """
    for cell in cells:
        iso, dotted = _ISO.search(cell), _DOTTED.search(cell)
        numbers = iso.group(1, 3, 4) if iso else dotted.groups()[::-1] if dotted else None
        if numbers is None or int(numbers[0]) <= NEVER_SET:
            continue
        try:
            return datetime.date(*(int(number) for number in numbers))
        except ValueError:
            continue
    return None
