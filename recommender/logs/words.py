"""Names and units that loggers give to channels, in English, German and French."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Final

from recommender.logs.options import Role


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


_PRESSURES: Final = {
    "pa": "Pa", "hpa": "hPa", "mbar": "mbar", "kpa": "kPa", "mpa": "MPa", "bar": "bar", "psi": "psi", "atm": "atm",
    "kgf/cm2": "kgf/cm2", "kg/cm2": "kgf/cm2", "inhg": "inHg", "inhg.": "inHg", "mmhg": "mmHg", "torr": "mmHg",
    "lb/in2": "psi", "lbs": "psi", "lbf/in2": "psi",
}  # fmt: skip
_OTHERS: Final = {
    "rpm": ("speed", 1.0), "1/min": ("speed", 1.0), "/min": ("speed", 1.0), "min-1": ("speed", 1.0),
    "u/min": ("speed", 1.0), "tr/min": ("speed", 1.0), "rev/min": ("speed", 1.0), "r/min": ("speed", 1.0),
    "upm": ("speed", 1.0), "t/min": ("speed", 1.0), "rpmx1000": ("speed", 1000.0), "x1000rpm": ("speed", 1000.0),
    "rps": ("speed", 60.0), "1/s": ("speed", 60.0), "hz": ("speed", 60.0), "krpm": ("speed", 1000.0),
    "%": ("share", 1.0), "pct": ("share", 1.0), "percent": ("share", 1.0), "prozent": ("share", 1.0), "%dc": ("share", 1.0),
    "s": ("time", 1.0), "sec": ("time", 1.0), "secs": ("time", 1.0), "seconds": ("time", 1.0), "second": ("time", 1.0),
    "sek": ("time", 1.0), "sekunden": ("time", 1.0), "secondes": ("time", 1.0),
    "ms": ("time", 1e-3), "msec": ("time", 1e-3), "milliseconds": ("time", 1e-3), "millisekunden": ("time", 1e-3),
    "us": ("time", 1e-6), "µs": ("time", 1e-6), "min": ("time", 60.0), "minutes": ("time", 60.0), "h": ("time", 3600.0),
    "lambda": ("ratio", 1.0), "λ": ("ratio", 1.0), "afr": ("air fuel", 1.0), ":1": ("air fuel", 1.0),
    "v": ("volt", 1.0), "volt": ("volt", 1.0), "volts": ("volt", 1.0), "mv": ("volt", 1e-3),
    "deg": ("angle", 1.0), "°": ("angle", 1.0), "km/h": ("road speed", 1.0), "kph": ("road speed", 1.0),
    "mph": ("road speed", 1.0), "g/s": ("flow", 1.0), "kg/h": ("flow", 1.0), "lb/min": ("flow", 1.0), "nm": ("torque", 1.0),
    "°crk": ("angle", 1.0), "°ca": ("angle", 1.0), "g": ("acceleration", 1.0), "m/s2": ("acceleration", 1.0),
    "mg/stk": ("flow", 1.0), "hp": ("power", 1.0), "kw": ("power", 1.0), "ps": ("power", 1.0), "m": ("length", 1.0),
    "count": ("count", 1.0), "counts": ("count", 1.0), "bit": ("count", 1.0), "l/h": ("flow", 1.0),
    "hh:mm:ss": ("clock", 1.0), "hh:mm:ss.fff": ("clock", 1.0), "-": ("none", 1.0), "1": ("none", 1.0),
}  # fmt: skip
_TEMPERATURES: Final = {"c": "C", "f": "F", "k": "K", "celsius": "C", "fahrenheit": "F", "kelvin": "K"}
_GAUGE_MARKS: Final = ("gauge", "gage", "relativ", "relative", "relatif", "rel", "(g)", "uber", "g")
_ABSOLUTE_MARKS: Final = ("absolute", "absolut", "absolu", "abs", "(a)", "a")


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
    bare = "".join(
        sign for sign in unicodedata.normalize("NFKD", text.replace("ß", "ss")) if not unicodedata.combining(sign)
    )
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
    degree = re.fullmatch(r"(°|\?|deg\.?|degrees?|grad|degres?|degrés?)?\s?(c|f|k|celsius|fahrenheit|kelvin)\.?", bare)
    if degree:
        return Unit("temperature", _TEMPERATURES[degree[2]])
    return _pressure_unit(bare)


def _pressure_unit(bare: str) -> Unit | None:
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
    text = tidy(header)
    brackets = re.match(r"^(.*?)\s*[\[({]([^\[\](){}]*(?:\([ag]\))?)[\])}]\s*(.*)$", text)
    if brackets and brackets[1] and parse_unit(brackets[2]):
        rest = f" {brackets[3]}" if brackets[3] else ""
        return brackets[1] + rest, brackets[2].strip()
    tail = re.match(r"^(.+?)[\s_,;/:.-]+([^\s_,;]+(?:[\s_](?:abs|gauge|rel|absolute))?)$", text)
    if tail:
        unit = parse_unit(tail[2])
        if unit is not None and unit.quantity not in ("none", "acceleration", "length", "count", "ratio", "air fuel"):
            short = len(tail[2]) == 1 and unit.quantity in ("volt", "temperature", "time")
            named_short = short and ("_" in text or re.search(r"temp|time|zeit|temps", text.casefold()))
            if not short or named_short:
                return tail[1], tail[2]
    return text, None


@dataclass(frozen=True)
class Words:
    """Patterns over folded names for one role, best first, and those that rule a name out."""

    best: str
    good: str
    fair: str
    never: str


_WANTED: Final = (
    r"target|desired|request|requested|demand|command|commanded|setpoint|set point|soll|sollwert|consigne|cible|"
    r"error|abweichung|ecart|limit|max|min|vorgabe|spec|specified"
)

#: For each role three ranks of names. A name of a lower rank is only looked at where none of a higher one fits.
WORDS: Final[dict[Role, Words]] = {
    "time": Words(
        best=r"time|zeit|temps|t|elapsed time|log time|time stamp|timestamp|zeitstempel|horodatage|uhrzeit|heure|"
        r"messzeit|laufzeit|time offset|date time|datetime|time s|time ms|temps ecoule|zeitpunkt|timestamps",
        good=r".*\b(elapsed|timestamp|zeitstempel|horodatage|zeit|uhrzeit)\b.*|offset|clock|log time.*|seconds|millis|sec|ms",
        fair=r".*\btime\b.*",
        never=r"inject|injection|ignition|dwell|delay|spool|boost|lap|einspritz|duration|dauer|date$|open",
    ),
    "rpm": Words(
        best=r"rpm|engine speed|engine rpm|motordrehzahl|drehzahl|regime moteur|regime|vitesse moteur|engine revs|"
        r"engine speed rpm|revs|n mot|nmot|n engine|eng spd|eng speed|motor drehzahl|rpm engine|speed engine",
        good=r".*\b(engine speed|engine rpm|motordrehzahl|drehzahl|regime)\b.*",
        fair=r".*\brpm\b.*",
        never=rf"turbo|wheel|roller|rolle|rad|shaft|idle|leerlauf|ralenti|fan|pump|vehicle|{_WANTED}|gear|launch|rate",
    ),
    "boost": Words(
        best=r"boost|boost pressure|boost press|ladedruck|pression de suralimentation|pression suralimentation|"
        r"pression turbo|suralimentation|boost gauge|charge pressure|boost actual|actual boost|ladedruck ist|"
        r"ist ladedruck|boost pressure actual|boost press actual|ladedruck istwert|manifold gauge pressure|"
        r"boost psi|pboost|p boost|boost pressure sensor|ladedruck absolut|boost absolute|absolute boost pressure|"
        r"boost pressure absolute|pression de suralimentation absolue|boost kpa|boost bar",
        good=r"map|manifold|manifold pressure|intake manifold pressure|manifold absolute pressure|"
        r"intake manifold absolute pressure|saugrohrdruck|saugrohrdruck absolut|pression collecteur|"
        r"pression admission|pression d admission|pression collecteur admission|inlet manifold pressure|map sensor|"
        r"map kpa|saugrohr absolutdruck|pression absolue collecteur|pression collecteur absolue|manifold press|manifold abs pressure|"
        r"intake pressure|engine map|intake manifold pressure absolute|pression absolue d admission|pim|"
        r"pression tubulure|pression tubulure admission|krummerdruck ansaug",
        fair=r".*\b(boost|ladedruck|suralimentation|manifold (absolute )?pressure|manifold|map|saugrohrdruck|saugrohr|collecteur)\b.*",
        never=rf"duty|solenoid|valve|wastegate|control|switch|stage|temp|temperatur|temperature|exhaust|abgas|"
        rf"echappement|fuel|kraftstoff|oil|cut|table|correction|flow|tastverhaltnis|rapport|ventil|gear|number|{_WANTED}",
    ),
    "barometer": Words(
        best=r"baro|barometer|barometric pressure|baro pressure|ambient pressure|atmospheric pressure|luftdruck|"
        r"umgebungsdruck|atmospharendruck|pression atmospherique|pression ambiante|pression barometrique|barometre|"
        r"p ambient|p amb|pamb|ambient air pressure|absolute barometric pressure|barometrischer druck|baro press",
        good=r".*\b(baro|barometer|barometric|ambient press(ure)?|atmospheric|atmospherique|luftdruck|umgebungsdruck)\b.*",
        fair=r"ambient|atmo|atm",
        never=r"temp|temperatur|temperature|correction|altitude",
    ),
    "throttle": Words(
        best=r"accelerator( pedal)?( position)?|pedal|pedal position|accelerator pedal|accelerator pedal position( [def])?|"
        r"fahrpedal|gaspedal|fahrpedalstellung|gaspedalstellung|fahrpedalposition|pedale|position pedale|pedale accelerateur|position accelerateur|"
        r"position pedale accelerateur|app|app sensor|driver pedal|pedalwert",
        good=r"throttle|throttle position|tps|throttle pos|tp|drosselklappe|drosselklappenstellung|"
        r"drosselklappenwinkel|papillon|position papillon|ouverture papillon|throttle angle|throttle opening|"
        r"throttle valve|throttle position sensor|tps main|position papillon gaz",
        fair=r".*\b(throttle|tps|pedal|pedale|papillon|drosselklappe|accelerator|accelerateur)\b.*",
        never=rf"rate|delta|brake|bremse|frein|clutch|kupplung|embrayage|volt|spannung|{_WANTED}|blip|acceleration|switch",
    ),
    "duty": Words(
        best=r"wastegate duty( cycle)?|wg duty|wgdc|boost duty( cycle)?|boost solenoid( duty)?( cycle)?|solenoid duty( cycle)?|"
        r"boost control duty|tastverhaltnis|ladedruckventil|tastverhaltnis ladedruck|ladedruck tastverhaltnis|"
        r"tastverhaltnis ladedruckventil|rapport cyclique|rapport cyclique wastegate|"
        r"rapport cyclique electrovanne|wastegate dc|boost control solenoid duty|boost valve duty|duty|duty cycle|"
        r"boost control solenoid|rco wastegate|rco turbo|commande wastegate|boost duty pct|taktung ladedruckventil",
        good=r".*\b(wastegate|wg|boost|ladedruck|turbo)\b.*\b(duty|dc|tastverhaltnis|rapport cyclique|solenoid)\b.*",
        fair=r".*\b(solenoid|duty)\b.*",
        never=r"inject|injector|idc|fuel|pump|idle|fan|vvt|einspritz|injecteur|leerlauf|cam|frequency|purge|egr|pressure",
    ),
    "lambda_": Words(
        best=r"lambda|lambdawert|afr|wideband|air fuel ratio|λ|richesse|lambda actual|lambda measured|lambda 1|afr measured|"
        r"lambda ist|lambda istwert|air fuel|wideband o2|wideband lambda|wb afr|breitband lambda|lambda sonde",
        good=r".*\b(lambda|afr|wideband|λ)\b.*",
        fair=r".*\b(air fuel)\b.*",
        never=rf"trim|correction|korrektur|{_WANTED}|heater|volt|spannung|integrator|regler|control",
    ),
    "exhaust_c": Words(
        best=r"egt|exhaust gas temp(erature)?|exhaust temp(erature)?|abgastemperatur|temperature echappement|"
        r"temperature gaz d echappement|temp echappement|egt 1|temperature d echappement|temperature gaz echappement|abgastemp",
        good=r".*\b(egt|exhaust (gas )?temp(erature)?|abgastemperatur)\b.*",
        fair=r".*\bechappement\b.*",
        never=rf"model|catalyst|kat|{_WANTED}|pressure|druck|pression|manifold pressure",
    ),
    "knock": Words(
        best=r"knock|knock count|knock retard|knock level|klopfen|klopfzahler|klopfregelung|klopfrucknahme|cliquetis|"
        r"knock sum|retrait cliquetis|knock events|compteur cliquetis|klopf zahler|zundwinkelrucknahme",
        good=r".*\b(knock|klopf\w*|cliquetis)\b.*",
        fair=r".*\b(retard)\b.*",
        never=r"thresh|schwelle|seuil|window|volt|spannung|enable|noise|limit",
    ),
    "intake_c": Words(
        best=r"iat|intake air temp(erature)?|intake temp(erature)?|inlet air temp(erature)?|charge (air )?temp(erature)?|"
        r"ansauglufttemperatur|ladelufttemperatur|temperature air admission|temperature d admission|"
        r"temperature admission|air temp|mat|manifold air temp(erature)?|act|ansaugtemperatur|temp air admission|"
        r"inlet temp(erature)?|temperature air|temp admission",
        good=r".*\b(iat|intake (air )?temp(erature)?|ansaugluft\w*|ladeluft\w*|air admission)\b.*",
        fair=r".*\b(air temp(erature)?|inlet temp)\b.*",
        never=rf"ambient|outside|aussen|umgebung|ambiant|exterieur|exhaust|correction|{_WANTED}|comp|turbo",
    ),
    "coolant_c": Words(
        best=r"ect|clt|coolant|coolant temp(erature)?|engine coolant temp(erature)?|water temp(erature)?|"
        r"kuhlmitteltemperatur|wassertemperatur|motortemperatur|temperature liquide de refroidissement|"
        r"temperature eau|temp eau|temperature moteur|engine temp(erature)?|kuhlwassertemperatur|cts|"
        r"temperature liquide refroidissement|temperature d eau|kuhlmittel",
        good=r".*\b(coolant|kuhlmittel\w*|refroidissement|water temp(erature)?)\b.*",
        fair=r".*\b(eau|wasser\w*)\b.*",
        never=rf"oil|fan|pump|pressure|{_WANTED}|correction|level|inject|methanol",
    ),
}  # fmt: skip


def rank_of(role: Role, name: str) -> int:
    """How well a name fits a role: 3 best, 2 good, 1 fair, 0 not at all."""
    folded = fold(name)
    words = WORDS[role]
    if re.search(rf"\b({words.never})\b", folded):
        return 0
    for rank, pattern in ((3, words.best), (2, words.good), (1, words.fair)):
        if re.fullmatch(pattern, folded):
            return rank
    return 0


def name_score(cell: str) -> int:
    """How much a cell looks like a channel name: the best rank over all roles."""
    name, _ = split_name(cell)
    return max(rank_of(role, name) for role in WORDS)
