"""Figures large enough to be read from two metres: seven points high, two points to a line of the terminal."""

from __future__ import annotations

from typing import Final

#: Points of each sign, from the top; ``#`` is ink.
_POINTS: Final = {
    "0": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "# #  ", "  #  ", "  #  ", "  #  ", "#####"),
    "2": (" ### ", "#   #", "    #", "  ## ", " #   ", "#    ", "#####"),
    "3": (" ### ", "#   #", "    #", "  ## ", "    #", "#   #", " ### "),
    "4": ("   # ", "  ## ", " # # ", "#  # ", "#####", "   # ", "   # "),
    "5": ("#####", "#    ", "#### ", "    #", "    #", "#   #", " ### "),
    "6": (" ### ", "#    ", "#    ", "#### ", "#   #", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "  #  ", "  #  ", " #   ", " #   "),
    "8": (" ### ", "#   #", "#   #", " ### ", "#   #", "#   #", " ### "),
    "9": (" ### ", "#   #", "#   #", " ####", "    #", "    #", " ### "),
    ".": ("  ", "  ", "  ", "  ", "  ", "##", "##"),
    "-": ("    ", "    ", "    ", "####", "    ", "    ", "    "),
}
_HALVES: Final = {(" ", " "): " ", ("#", " "): "▀", (" ", "#"): "▄", ("#", "#"): "█"}


def large(number: str, drawing: bool = True) -> list[str]:
    """A number in large figures.

    Args:
        number: Digits, one point, a sign.
        drawing: True packs two points into one line with half blocks (4 lines); False writes one point a line (7).
    Returns:
        Lines of equal length.
    Raises:
        ValueError: a sign that has no figure.
    """
    unknown = sorted(set(number) - set(_POINTS))
    if unknown:
        raise ValueError(f"only digits, a point and a minus can be drawn large, but got {''.join(unknown)!r}")
    rows = [" ".join(_POINTS[sign][i] for sign in number) for i in range(7)]
    if not drawing:
        return rows
    rows.append(" " * len(rows[0]))
    return ["".join(_HALVES[pair] for pair in zip(rows[i], rows[i + 1], strict=True)) for i in range(0, 8, 2)]
