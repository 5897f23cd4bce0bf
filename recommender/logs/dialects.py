"""Named dialects: how different loggers write the same recording."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

#: Words for the channels, by language.
HEADINGS: Final[dict[str, dict[str, str]]] = {
    "English": {
        "time_s": "Time", "rpm": "Engine Speed", "boost_kpa": "Boost", "manifold_kpa": "Manifold Pressure",
        "barometer_kpa": "Barometric Pressure", "throttle_pct": "Throttle", "duty_pct": "Boost Solenoid Duty",
        "lambda": "Lambda", "exhaust_c": "Exhaust Temp", "knock": "Knock", "intake_c": "Intake Air Temp",
        "coolant_c": "Coolant Temp",
    },
    "German": {
        "time_s": "Zeit", "rpm": "Motordrehzahl", "boost_kpa": "Ladedruck relativ", "manifold_kpa": "Saugrohrdruck",
        "barometer_kpa": "Umgebungsdruck", "throttle_pct": "Drosselklappe",
        "duty_pct": "Tastverhältnis Ladedruckventil",
        "lambda": "Lambda", "exhaust_c": "Abgastemperatur", "knock": "Klopfen", "intake_c": "Ansauglufttemperatur",
        "coolant_c": "Kühlmitteltemperatur",
    },
    "French": {
        "time_s": "Temps", "rpm": "Régime moteur", "boost_kpa": "Pression de suralimentation",
        "manifold_kpa": "Pression collecteur absolue", "barometer_kpa": "Pression atmosphérique",
        "throttle_pct": "Position papillon", "duty_pct": "Rapport cyclique wastegate", "lambda": "Lambda",
        "exhaust_c": "Température échappement", "knock": "Cliquetis", "intake_c": "Température air admission",
        "coolant_c": "Température liquide de refroidissement",
    },
    "short": {
        "time_s": "time", "rpm": "rpm", "boost_kpa": "boost", "manifold_kpa": "map", "barometer_kpa": "baro",
        "throttle_pct": "tps", "duty_pct": "wgdc", "lambda": "lambda", "exhaust_c": "egt", "knock": "knock",
        "intake_c": "iat", "coolant_c": "ect",
    },
}  # fmt: skip


@dataclass(frozen=True)
class Dialect:
    """How one kind of logger writes.

    Attributes:
        separator, decimal, thousands, quoted: Signs of the table.
        language: Key of the headings.
        unit_place: Where units stand.
        pressure: Unit of pressures, key of ``PASCAL_IN``.
        absolute: Whether boost is written as absolute manifold pressure.
        barometer: Whether the barometer is written.
        time: How time is written; ``none`` leaves it out and writes the rate above the names.
        encoding, newline, packed: Of the file.
        above: Lines above the names.
        below: Lines after the rows.
        repeat_header: Whether the names are written again half way.
        fahrenheit: Whether temperatures are in °F.
        strange: Whether channels that are not ours are written too.
    """

    separator: str = ","
    decimal: str = "."
    thousands: str = ""
    quoted: bool = False
    language: str = "English"
    unit_place: Literal["square", "round", "row", "suffix", "none"] = "round"
    pressure: str = "psi"
    absolute: bool = False
    barometer: bool = False
    time: Literal["s", "ms", "clock", "date", "none"] = "s"
    encoding: str = "utf-8"
    newline: str = "\n"
    packed: Literal["", "gz", "zip", "bz2", "xz"] = ""
    above: tuple[str, ...] = ()
    below: tuple[str, ...] = ()
    repeat_header: bool = False
    fahrenheit: bool = False
    strange: bool = False


_SHEET: Final = ("# Dyno run, cell 2", "# Operator: J. Marsh", "# Sample rate: see time column", "")
DIALECTS: Final[dict[str, Dialect]] = {
    "plain commas": Dialect(),
    "units row, absolute and barometer": Dialect(
        unit_place="row", pressure="kPa", absolute=True, barometer=True, strange=True
    ),
    "semicolons and decimal commas": Dialect(
        separator=";", decimal=",", language="German", unit_place="square", pressure="bar", encoding="latin-1",
        newline="\r\n", strange=True,
    ),
    "tabs, milliseconds, comment lines": Dialect(
        separator="\t", unit_place="square", pressure="kPa", time="ms", above=_SHEET, strange=True
    ),
    "short names": Dialect(language="short", unit_place="none", pressure="psi"),
    "names with unit at the end": Dialect(language="short", unit_place="suffix", pressure="kPa"),
    "everything quoted": Dialect(quoted=True, unit_place="square", pressure="psi", newline="\r\n"),
    "quoted decimal commas": Dialect(quoted=True, decimal=",", language="French", pressure="bar", encoding="latin-1"),
    "thousands commas in quotes": Dialect(quoted=True, thousands=",", unit_place="square", pressure="psi"),
    "thousands points": Dialect(
        separator=";", decimal=",", thousands=".", language="German", unit_place="row", pressure="mbar",
        encoding="latin-1",
    ),
    "wide characters": Dialect(separator="\t", unit_place="square", pressure="kPa", encoding="utf-16"),
    "byte-order mark": Dialect(encoding="utf-8-sig", separator=";", language="French", pressure="bar"),
    "bars": Dialect(separator="|", pressure="kPa", absolute=True, barometer=True, unit_place="round"),
    "clock times": Dialect(time="clock", unit_place="square", pressure="kPa", absolute=True, barometer=True),
    "dates with clock times": Dialect(
        time="date", separator=";", decimal=",", language="German", unit_place="row", pressure="bar"
    ),
    "rate above the names": Dialect(time="none", unit_place="round", pressure="psi"),
    "repeated header": Dialect(repeat_header=True, unit_place="square", pressure="kPa", strange=True),
    "words at the end": Dialect(below=("End of log", "Peak power 0"), unit_place="round", pressure="psi"),
    "French, units row, absolute": Dialect(
        separator=";", decimal=",", language="French", unit_place="row", pressure="mbar", absolute=True, barometer=True,
        encoding="latin-1",
    ),
    "German, absolute, tabs": Dialect(
        separator="\t", decimal=",", language="German", unit_place="square", pressure="mbar", absolute=True,
        barometer=True, encoding="utf-8",
    ),
    "packed with gzip": Dialect(packed="gz", unit_place="square", pressure="kPa"),
    "packed as zip": Dialect(packed="zip", separator=";", decimal=",", language="German", pressure="bar"),
    "packed with bzip2": Dialect(packed="bz2", unit_place="row", pressure="psi"),
    "packed with xz": Dialect(packed="xz", language="French", separator=";", pressure="kPa", unit_place="square"),
    "Fahrenheit": Dialect(fahrenheit=True, pressure="psi", strange=True),
}  # fmt: skip
