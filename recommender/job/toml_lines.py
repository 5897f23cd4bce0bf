"""Where in a TOML text a key stands, so that an error can name the line."""

from __future__ import annotations

import re
from typing import Final

KeyPath = tuple[str, ...]

_KEY: Final = re.compile(r"""\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)\s*(\.|$)""")
_INLINE: Final = re.compile(r"""[{,]\s*([A-Za-z0-9_-]+)\s*=""")
_TRIPLES: Final = ('"""', "'''")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line, from 1, of every key and table of a TOML text that is known to be sound.

    Later lines of a key's value (an array over several lines, a long string) belong to the line of its key.
    """
    found: dict[KeyPath, int] = {}
    table: KeyPath = ()
    depth, open_string = 0, ""
    for number, line in enumerate(text.splitlines(), start=1):
        if open_string or depth:
            depth, open_string = _scan(line, depth, open_string)
            continue
        stripped = line.strip()
        if not stripped or stripped.startswith("#"):
            continue
        if stripped.startswith("["):
            table = _keys(stripped.lstrip("[").split("]")[0])
            found.setdefault(table, number)
            continue
        name, _, value = line.partition("=")
        path = table + _keys(name)
        found.setdefault(path, number)
        for inner in _INLINE.findall(value):
            found.setdefault((*path, inner), number)
        depth, open_string = _scan(value, 0, "")
    return found


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Line of a key, or of the nearest table above it that the text holds; 1 where there is none."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 1


def _keys(dotted: str) -> KeyPath:
    keys, rest = [], dotted.strip()
    while rest:
        match = _KEY.match(rest)
        if match is None:
            break
        keys.append(match.group(1).strip("\"'"))
        rest = rest[match.end() :]
    return tuple(keys)


def _scan(line: str, depth: int, open_string: str) -> tuple[int, str]:
    """Depth of brackets and the long string still open at the end of a line."""
    at = 0
    while at < len(line):
        if open_string:
            end = line.find(open_string, at)
            if end < 0:
                return depth, open_string
            at, open_string = end + 3, ""
            continue
        if line[at : at + 3] in _TRIPLES:
            open_string, at = line[at : at + 3], at + 3
            continue
        sign = line[at]
        if sign == "#":
            break
        if sign in "\"'":
            at = _after_string(line, at)
            continue
        depth += (sign in "[{") - (sign in "]}")
        at += 1
    return depth, open_string


def _after_string(line: str, at: int) -> int:
    quote, at = line[at], at + 1
    while at < len(line) and line[at] != quote:
        at += 2 if line[at] == "\\" and quote == '"' else 1
    return at + 1
