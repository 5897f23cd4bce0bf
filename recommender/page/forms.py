"""What comes in through forms and addresses, checked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode

from recommender.wording import KNOB_LABELS

if TYPE_CHECKING:
    from recommender.job import Job

#: Longest free text of a form. [characters]
LONGEST_TEXT = 400


class FormError(ValueError):
    """A field of a form cannot be used."""


def text(form: Mapping[str, Any], name: str, *, longest: int = LONGEST_TEXT) -> str:
    """A text field, trimmed; "" where it is absent."""
    value = form.get(name, "")
    return value.strip()[:longest] if isinstance(value, str) else ""


def whole(form: Mapping[str, Any], name: str) -> int:
    """A whole number of at most nine digits.

    Raises:
        FormError: it is not one.
    """
    value = text(form, name)
    if not (value.isascii() and value.isdigit() and len(value) < 10):
        raise FormError(f"{name}: must be a whole number, but got {value[:40]!r}.")
    return int(value)


def settings_in(form: Mapping[str, Any], job: Job) -> dict[str, float]:
    """The settings of a form, in the job's units: those knobs that it has a value for.

    Decimal commas are understood. What the controller lacks is never asked for and not looked at.

    Raises:
        FormError: a value is not a number.
    """
    found = {}
    for name, label in KNOB_LABELS.items():
        value = text(form, name)
        if not value or job.dials[name].absent:
            continue
        try:
            number = float(value.replace(",", ".").replace("−", "-"))
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise FormError(
                f"{label}: must be a number, but got {value[:40]!r}. Write it as it is dialled, for example 34."
            )
        found[name] = number
    return found


def query(**values: str) -> str:
    """A query string of the values that are not empty."""
    return urlencode({name: value for name, value in values.items() if value})


def quoted(name: str) -> str:
    """A file name for a header (RFC 8187)."""
    return quote(name, safe="")
