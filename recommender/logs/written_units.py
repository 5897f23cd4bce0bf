"""Units and headings as loggers write them."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Unit:
    """A unit as written in a log.

    Attributes:
        quantity: pressure, temperature, speed, share, time, ratio or volt.
        name: Key of ``models.units.PASCAL_IN`` for pressures; C, F or K; factor's name otherwise.
        factor: To the inside unit by multiplication (rpm, %, s); 1 for pressure and temperature.
        mark: ``gauge`` or ``absolute`` where the unit says so.
    """

    quantity: str
    name: str
    factor: float = 1.0
    mark: str | None = None


#: A name is looked at no further than this many signs.
LONGEST_NAME: Final = 200

_PRESSURES: Final = {
    "pa": "Pa", "hpa": "hPa", "mbar": "mbar", "kpa": "kPa", "mpa": "MPa", "bar": "bar", "psi": "psi", "atm": "atm",
    "kgf/cm2": "kgf/cm2", "kg/cm2": "kgf/cm2", "inhg": "inHg", "mmhg": "mmHg", "torr": "mmHg",
    "lb/in2": "psi", "lbs": "psi", "lbf/in2": "psi", "lb": "psi", "lb/sqin": "psi", "lbs/sqin": "psi", "cmhg": "cmHg",
    "dbar": "dbar", "kp/cm2": "kgf/cm2", "incheshg": "inHg", "inchhg": "inHg",
}  # fmt: skip
_OTHERS: Final = {
    "rpm": ("speed", 1.0), "1/min": ("speed", 1.0), "/min": ("speed", 1.0), "min-1": ("speed", 1.0),
    "u/min": ("speed", 1.0), "tr/min": ("speed", 1.0), "rev/min": ("speed", 1.0), "r/min": ("speed", 1.0),
    "obr/min": ("speed", 1.0), "omw/min": ("speed", 1.0), "varv/min": ("speed", 1.0), "v/min": ("speed", 1.0),
    "giri/min": ("speed", 1.0), "rot/min": ("speed", 1.0), "tpm": ("speed", 1.0), "giri": ("speed", 1.0),
    "upm": ("speed", 1.0), "t/min": ("speed", 1.0), "rpmx1000": ("speed", 1000.0), "x1000rpm": ("speed", 1000.0),
    "rpm/1000": ("speed", 1000.0), "1000rpm": ("speed", 1000.0), "1000/min": ("speed", 1000.0),
    "×1000rpm": ("speed", 1000.0), "rpm×1000": ("speed", 1000.0), "1000xrpm": ("speed", 1000.0),
    "rev/s": ("speed", 60.0), "rps": ("speed", 60.0), "1/s": ("speed", 60.0), "hz": ("speed", 60.0),
    "krpm": ("speed", 1000.0), "tr/mn": ("speed", 1.0),
    "%": ("share", 1.0), "pct": ("share", 1.0), "percent": ("share", 1.0), "prozent": ("share", 1.0),
    "%dc": ("share", 1.0),
    "s": ("time", 1.0), "sec": ("time", 1.0), "secs": ("time", 1.0), "seconds": ("time", 1.0), "second": ("time", 1.0),
    "sek": ("time", 1.0), "sekunden": ("time", 1.0), "secondes": ("time", 1.0),
    "ms": ("time", 1e-3), "msec": ("time", 1e-3), "milliseconds": ("time", 1e-3), "millisekunden": ("time", 1e-3),
    "us": ("time", 1e-6), "µs": ("time", 1e-6), "min": ("time", 60.0), "minutes": ("time", 60.0), "h": ("time", 3600.0),
    "lambda": ("ratio", 1.0), "λ": ("ratio", 1.0), "afr": ("air fuel", 1.0), ":1": ("air fuel", 1.0),
    "v": ("volt", 1.0), "volt": ("volt", 1.0), "volts": ("volt", 1.0), "mv": ("volt", 1e-3),
    "deg": ("angle", 1.0), "°": ("angle", 1.0), "km/h": ("road speed", 1.0), "kph": ("road speed", 1.0),
    "mph": ("road speed", 1.0), "g/s": ("flow", 1.0), "kg/h": ("flow", 1.0), "lb/min": ("flow", 1.0),
    "nm": ("torque", 1.0),
    "°crk": ("angle", 1.0), "°ca": ("angle", 1.0), "g": ("acceleration", 1.0), "m/s2": ("acceleration", 1.0),
    "mg/stk": ("flow", 1.0), "hp": ("power", 1.0), "kw": ("power", 1.0), "ps": ("power", 1.0), "m": ("length", 1.0),
    "count": ("count", 1.0), "counts": ("count", 1.0), "bit": ("count", 1.0), "l/h": ("flow", 1.0),
    "hh:mm:ss": ("clock", 1.0), "hh:mm:ss.fff": ("clock", 1.0), "-": ("none", 1.0), "1": ("none", 1.0),
}  # fmt: skip
_TEMPERATURES: Final = {"c": "C", "f": "F", "k": "K", "celsius": "C", "fahrenheit": "F", "kelvin": "K"}
_GAUGE_MARKS: Final = ("gauge", "gage", "relativ", "relative", "relatif", "relativa", "rel", "(g", "uber", "g")
_ABSOLUTE_MARKS: Final = ("absolute", "absolut", "absolu", "absoluta", "absoluut", "abs", "ass", "(a", "a")
#: Letters that do not come apart into a plain one and an accent.
_WHOLE_LETTERS: Final = str.maketrans({"ß": "ss", "ł": "l", "Ł": "L", "ø": "o", "Ø": "O", "đ": "d", "æ": "ae"})


#: Names after which a single letter is a unit: ``Time s``, ``Temp C``.
_NAMED_SHORT: Final = re.compile(r"temp|time|zeit|tiempo|czas|tijd|\b(tid|hora|orario)\b")
#: A unit at the end of a name, of mercury also in two words; and a bracket before it that holds a factor of it, as in
#: ``Boost (x10 mbar)``.
_TAIL: Final = re.compile(
    r"^(.+?)[\s_,;/:.-]+((?:(?:in|inch|inches|mm|cm)[\s_.]{1,2}hg|[^\s_,;]+)(?:[\s_](?:abs|ass|gauge|rel|absolute))?)$",
    re.IGNORECASE,
)
_FACTOR: Final = re.compile(r"[\[({]\s*[x×*]?\s*\d+([.,/]\d+)?\s*[x×*]?$", re.IGNORECASE)
#: Parts of a second: ``1/10 s``, ``0.01 s``.
_PART_OF_A_SECOND: Final = re.compile(r"(?:1/(10{1,6})|(0[.,]0{0,5}1))(?:s|sec|sek)")
#: Names whose last word is part of the name although it is a unit elsewhere.
_ONE_NAME: Final = re.compile(r"numero( di)? giri")


def tidy(text: str) -> str:
    """A name as it was meant: a twice-encoded degree sign repaired, control signs and odd blanks gone."""
    if any(sign in text for sign in "ÂÃâ"):
        for encoding in ("latin-1", "cp1252"):
            try:
                text = text.encode(encoding).decode("utf-8")
                break
            except (UnicodeEncodeError, UnicodeDecodeError):
                continue
    text = unicodedata.normalize("NFC", text).replace("\ufeff", "")
    return re.sub(r"\s+", " ", "".join(sign if sign.isprintable() else " " for sign in text)).strip(" \"'")


def fold(text: str) -> str:
    """A name for comparison: no accents, no capitals, words parted by single blanks."""
    text = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z])", " ", tidy(text))
    apart = unicodedata.normalize("NFKD", text.translate(_WHOLE_LETTERS))
    bare = "".join(sign for sign in apart if not unicodedata.combining(sign))
    return re.sub(r"[^a-z0-9λ%]+", " ", bare.casefold()).strip()


def parse_unit(text: str) -> Unit | None:
    """The unit a text stands for, None where it is none that is known."""
    bare = tidy(text).casefold().strip("[](){} ").replace("º", "°").replace("�", "°").replace("²", "2").replace("^", "")
    if not bare:
        return None
    bare = re.sub(r"\s+", " ", bare)
    words = bare.replace(" ", "")
    if words in _OTHERS:
        quantity, factor = _OTHERS[words]
        return Unit(quantity, words, factor)
    part = _PART_OF_A_SECOND.fullmatch(words)
    if part:
        return Unit("time", words, 1.0 / float(part[1]) if part[1] else float(part[2].replace(",", ".")))
    degree = re.fullmatch(r"(°|\?|deg\.?|degrees?|grad|degres?|degrés?)?\s?(c|f|k|celsius|fahrenheit|kelvin)\.?", bare)
    if degree:
        return Unit("temperature", _TEMPERATURES[degree[2]])
    return _pressure_unit(bare)


def _pressure_unit(bare: str) -> Unit | None:
    bare = re.sub(r"(?<=\w)[._ ]+(?=hg(?![a-z])|sq|in\b)", "", bare)  # in. Hg, mm_hg, lb/sq. in
    for written, name in sorted(_PRESSURES.items(), key=lambda item: -len(item[0])):
        if not bare.startswith(written):
            continue
        rest = bare[len(written) :].strip(" ._-,([)]")
        if not rest:
            return Unit("pressure", name)
        if rest in _GAUGE_MARKS or rest == "ü":
            return Unit("pressure", name, mark="gauge")
        if rest in _ABSOLUTE_MARKS:
            return Unit("pressure", name, mark="absolute")
    return None


def is_unit(text: str) -> bool:
    """Whether a cell is nothing but a unit (brackets allowed)."""
    return parse_unit(text) is not None


def split_name(header: str) -> tuple[str, str | None]:
    """Name and unit of a header cell such as ``Boost [kPa]``, ``Boost (psi)``, ``boost_psi`` or ``Boost, bar``.

    The unit is None where the cell names none that is known.
    """
    text = tidy(header)[:LONGEST_NAME]
    brackets = re.match(r"^(.*?)\s*[\[({]([^\[\](){}]*(?:\(\w+\))?)[\])}]\s*(.*)$", text)
    if brackets and f"({brackets[2].casefold()}" in (*_GAUGE_MARKS, *_ABSOLUTE_MARKS):
        marked = re.match(r"^(.+?)[\s_,;/:.-]+([^\s_,;]+)$", brackets[1])
        if marked and (parse_unit(marked[2]) or Unit("none", "")).quantity == "pressure":
            return marked[1], f"{marked[2]} {brackets[2]}"
    if brackets and brackets[1] and parse_unit(brackets[2]):
        rest = f" {brackets[3]}" if brackets[3] else ""
        return brackets[1] + rest, brackets[2].strip()
    if _ONE_NAME.fullmatch(fold(text)):
        return text, None
    whole = parse_unit(text) if "/" in text else None
    if whole is not None and whole.quantity == "speed":
        return "rpm", text  # U/min and nothing else
    tail = _TAIL.match(text)
    if tail and not _FACTOR.search(tail[1]):
        unit = parse_unit(tail[2])
        if unit is not None and unit.quantity not in ("none", "acceleration", "length", "count", "ratio", "air fuel"):
            short = len(tail[2]) == 1 and unit.quantity in ("volt", "temperature", "time")
            named_short = short and ("_" in text or f", {tail[2]}" in text or _NAMED_SHORT.search(text.casefold()))
            if not short or named_short:
                return tail[1], tail[2]
    return text, None
