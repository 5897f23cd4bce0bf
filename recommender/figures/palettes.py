"""Colours of the figures by role, for paper and for the dark.

M. Okabe and K. Ito, "Color universal design" (2008): blue, orange and vermilion are told apart by all kinds of colour
vision. Text in them keeps a contrast of 4.5 to 1 against the paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Palette:
    """Colours by role. ``band`` is the border of the band, ``band_fill`` what lies in it."""

    ink: str
    paper: str
    grid: str
    judged: str
    target: str
    last: str
    band: str
    band_fill: str
    limit: str
    limit_fill: str
    earlier: str
    halo: str


LIGHT: Final = Palette(
    ink="#1d2226", paper="#ffffff", grid="#d9dcdf", judged="#f1f3f4", target="#1d2226", last="#0067a3",
    band="#8a5a00", band_fill="#f4dcae", limit="#b83a00", limit_fill="#fbe3da", earlier="#5f666c", halo="#f0a58a",
)  # fmt: skip
DARK: Final = Palette(
    ink="#e9edf0", paper="#14181b", grid="#333b41", judged="#1d2327", target="#e9edf0", last="#63bdf2",
    band="#f0c36b", band_fill="#4d3d1c", limit="#ff8d5c", limit_fill="#432418", earlier="#a3adb5", halo="#8c3f20",
)  # fmt: skip
PALETTES: Final[Mapping[str, Palette]] = {"light": LIGHT, "dark": DARK}
