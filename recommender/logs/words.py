"""Names that loggers give to channels: the usual ones in English, German and French, the others in ``languages``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Final

from recommender.logs.languages import MORE, WANTED
from recommender.logs.options import ROLES, Role
from recommender.logs.written_units import fold, split_name


@dataclass(frozen=True)
class Words:
    """Patterns over folded names for one role, best first, and those that rule a name out.

    Alternatives are parted by bars with blanks or line ends on both sides, which mean nothing; ``@wanted`` stands for
    ``_WANTED`` and ``WANTED``.
    """

    best: str
    good: str
    fair: str
    never: str


#: Words of a value that is wanted and not measured.
_WANTED: Final = r"""
    target | desired | request | requested | demand | command | commanded | setpoint | set point | soll | sollwert
    | consigne | cible | error | abweichung | ecart | limit | max | min | vorgabe | spec | specified | aim | tgt | trgt
    | goal | cmd | req | setpt | wanted | wish | desire | dmd | nominal | expected | reference | err | delta | predicted
    | estimated? | ziel | zielwert | sollwerte | vorg | modell | targ | tar | sollw | est | lim | vorgabewert
"""

#: For each role three ranks of names. A name of a lower rank is only looked at where none of a higher one fits.
WORDS: Final[dict[Role, Words]] = {
    "time": Words(
        best=r"""
            time | zeit | temps | t | elapsed time | log time | time stamp | timestamp | zeitstempel
            | horodatage | uhrzeit | heure | messzeit | laufzeit | time offset | date time | datetime | time s
            | time ms | temps ecoule | zeitpunkt | timestamps
        """,
        good=r"""
            .*\b(elapsed|timestamp|zeitstempel|horodatage|zeit|uhrzeit)\b.* | offset | clock | log time.*
            | seconds | millis | sec | ms
        """,
        fair=r".*\btime\b.*",
        never=r"""
            inject | injection | ignition | dwell | delay | spool | boost | lap | einspritz | duration | dauer
            | date$ | open
        """,
    ),
    "rpm": Words(
        best=r"""
            rpm | engine speed | engine rpm | motordrehzahl | drehzahl | regime moteur | regime | vitesse moteur
            | engine revs | engine speed rpm | revs | n mot | nmot | n engine | eng spd | eng speed
            | motor drehzahl | rpm engine | speed engine
        """,
        good=r".*\b(engine speed|engine rpm|motordrehzahl|drehzahl|regime)\b.*",
        fair=r".*\brpm\b.* | engine | motor | moteur",
        never=r"""
            turbo | wheel | roller | rolle | rad | shaft | idle | leerlauf | ralenti | fan | pump | vehicle
            | @wanted | gear | launch | rate
        """,
    ),
    "boost": Words(
        best=r"""
            boost | boost pressure | boost press | ladedruck | pression de suralimentation
            | pression suralimentation | pression turbo | suralimentation | boost gauge | charge pressure
            | boost actual | actual boost | ladedruck ist | ist ladedruck | boost pressure actual
            | boost press actual | ladedruck istwert | manifold gauge pressure | boost psi | pboost | p boost
            | boost pressure sensor | ladedruck absolut | boost absolute | absolute boost pressure
            | boost pressure absolute | pression de suralimentation absolue | boost kpa | boost bar
        """,
        good=r"""
            map | manifold | manifold pressure | intake manifold pressure | manifold absolute pressure
            | intake manifold absolute pressure | saugrohrdruck | saugrohrdruck absolut | pression collecteur
            | pression admission | pression d admission | pression collecteur admission
            | inlet manifold pressure | map sensor | map kpa | saugrohr absolutdruck
            | pression absolue collecteur | pression collecteur absolue | manifold press | manifold abs pressure
            | intake pressure | engine map | intake manifold pressure absolute | pression absolue d admission
            | pim | pression tubulure | pression tubulure admission | manifold air pressure
        """,
        fair=r"""
            .*\b(boost|ladedruck|suralimentation|map)\b.*
            | .*\b(manifold|saugrohrdruck|saugrohr|collecteur)\b.*
        """,
        never=r"""
            duty | solenoid | valve | wastegate | control | switch | stage | temp | temperatur | temperature
            | exhaust | abgas | echappement | fuel | kraftstoff | oil | cut | table | correction | flow
            | tastverhaltnis | rapport | ventil | gear | number | @wanted | set | sp | ref | des$ | des (boost|map)
            | dev | deviation | model | modelled | modeled | theorique | teoric[ao] | avg | average | mean | mittelwert
            | moyenne | filt | filtered | gefiltert | filtree? | smoothed | peak | hold | trim | pid | integral | learn
            | learned | adder | offset | ramp | threshold | enable | select | dot | rate | ratio | modelliert | ff
            | feed ?forward | prediction | base
        """,
    ),
    "barometer": Words(
        best=r"""
            baro | barometer | barometric pressure | baro pressure | ambient pressure | atmospheric pressure
            | luftdruck | umgebungsdruck | atmospharendruck | pression atmospherique | pression ambiante
            | pression barometrique | barometre | p ambient | p amb | pamb | ambient air pressure
            | absolute barometric pressure | barometrischer druck | baro press
        """,
        good=r"""
            .*\b(baro|barometer|barometric|ambient press(ure)?|atmospheric|atmospherique|luftdruck|umgebungsdruck)\b.*
        """,
        fair=r"ambient | atmo | atm",
        never=r"""
            temp | temperatur | temperature | corr | correction | korrektur | altitude | comp | compensation | trim
            | factor | faktor | ratio | adc | volt | voltage | humidity
        """,
    ),
    "throttle": Words(
        best=r"""
            accelerator( pedal)?( position)? | pedal | pedal position | accelerator pedal
            | accelerator pedal position( [def])? | fahrpedal | gaspedal | fahrpedalstellung | gaspedalstellung
            | fahrpedalposition | pedale | position pedale | pedale accelerateur | position accelerateur
            | position pedale accelerateur | app | app sensor | driver pedal | pedalwert
        """,
        good=r"""
            throttle | throttle position | tps | throttle pos | tp | drosselklappe | drosselklappenstellung
            | drosselklappenwinkel | papillon | position papillon | ouverture papillon | throttle angle
            | throttle opening | throttle valve | throttle position sensor | tps main | position papillon gaz
        """,
        fair=r".*\b(throttle|tps|pedal|pedale|papillon|drosselklappe|accelerator|accelerateur)\b.*",
        never=r"""
            rate | delta | brake | bremse | frein | clutch | kupplung | embrayage | volt | spannung | @wanted
            | blip | acceleration | switch | pressure | press | druck | pression | temp | temperature | temperatur
            | area | flow | duty | trim | boost | map
        """,
    ),
    "duty": Words(
        best=r"""
            wastegate duty( cycle)? | wg duty | wgdc | boost duty( cycle)? | boost solenoid( duty)?( cycle)?
            | solenoid duty( cycle)? | boost control duty | tastverhaltnis | ladedruckventil
            | tastverhaltnis ladedruck | ladedruck tastverhaltnis | tastverhaltnis ladedruckventil
            | rapport cyclique | rapport cyclique wastegate | rapport cyclique electrovanne | wastegate dc
            | boost control solenoid duty | boost valve duty | duty | duty cycle | boost control solenoid
            | rco wastegate | rco turbo | commande wastegate | boost duty pct | taktung ladedruckventil
        """,
        good=r"""
            .*\b(wastegate|wg|boost|ladedruck|turbo)\b.*\b(duty|dc|tastverhaltnis|rapport cyclique|solenoid)\b.*
        """,
        fair=r".*\b(solenoid|duty)\b.*",
        never=r"""
            inj\w* | idc | fuel | pump | idle | fan | vvt | einspritz | injecteur | leerlauf | cam
            | freq | frequency | frequenz | purge | egr | pressure | etb | throttle | wmi | water | methanol | meth
            | alternator | nitrous | shift | vtec | current(?!.*\bduty\b) | strom | courant
        """,
    ),
    "lambda_": Words(
        best=r"""
            lambda | lambdawert | afr | wideband | air fuel ratio | λ | richesse | lambda actual
            | lambda measured | lambda 1 | afr measured | lambda ist | lambda istwert | air fuel | wideband o2
            | wideband lambda | wb afr | breitband lambda | lambda sonde
        """,
        good=r".*\b(lambda|afr|wideband|λ)\b.*",
        fair=r".*\b(air fuel)\b.*",
        never=r"""
            trim | correction | korrektur | @wanted | heater | volt | spannung | integrator | regler | control
        """,
    ),
    "exhaust_c": Words(
        best=r"""
            egt | exhaust gas temp(erature)? | exhaust temp(erature)? | abgastemperatur
            | temperature echappement | temperature gaz d echappement | temp echappement | egt 1
            | temperature d echappement | temperature gaz echappement | abgastemp
        """,
        good=r".*\b(egt|exhaust (gas )?temp(erature)?|abgastemperatur)\b.*",
        fair=r".*\bechappement\b.*",
        never=r"model | catalyst | kat | @wanted | pressure | druck | pression | manifold pressure",
    ),
    "knock": Words(
        best=r"""
            knock | knock count | knock retard | knock level | klopfen | klopfzahler | klopfregelung
            | klopfrucknahme | cliquetis | knock sum | retrait cliquetis | knock events | compteur cliquetis
            | klopf zahler | zundwinkelrucknahme
        """,
        good=r".*\b(knock|klopf\w*|cliquetis)\b.*",
        fair=r".*\b(retard)\b.*",
        never=r"thresh | schwelle | seuil | window | volt | spannung | enable | noise | limit",
    ),
    "intake_c": Words(
        best=r"""
            iat | intake air temp(erature)? | intake temp(erature)? | inlet air temp(erature)?
            | charge (air )?temp(erature)? | ansauglufttemperatur | ladelufttemperatur
            | temperature air admission | temperature d admission | temperature admission | air temp | mat
            | manifold air temp(erature)? | act | ansaugtemperatur | temp air admission | inlet temp(erature)?
            | temperature air | temp admission
        """,
        good=r".*\b(iat|intake (air )?temp(erature)?|ansaugluft\w*|ladeluft\w*|air admission)\b.*",
        fair=r".*\b(air temp(erature)?|inlet temp)\b.*",
        never=r"""
            ambient | outside | aussen | umgebung | ambiant | exterieur | exhaust | correction | @wanted
            | comp | turbo
        """,
    ),
    "coolant_c": Words(
        best=r"""
            ect | clt | coolant | coolant temp(erature)? | engine coolant temp(erature)? | water temp(erature)?
            | kuhlmitteltemperatur | wassertemperatur | motortemperatur | temperature liquide de refroidissement
            | temperature eau | temp eau | temperature moteur | engine temp(erature)? | kuhlwassertemperatur
            | cts | temperature liquide refroidissement | temperature d eau | kuhlmittel
        """,
        good=r".*\b(coolant|kuhlmittel\w*|refroidissement|water temp(erature)?)\b.*",
        fair=r".*\b(eau|wasser\w*)\b.*",
        never=r"oil | fan | pump | pressure | @wanted | correction | level | inject | methanol",
    ),
}


#: Endings that tell equal channels apart: a number, a letter, a bank.
_NUMBERED: Final = re.compile(r"(?<=[a-z]{3})(\s*\b(bank|sensor|sonde|nr|no))?(\s*\d{1,2}|\s+[ab])$")

#: Words of a value that is measured: they say no more than the name without them.
_MEASURED: Final = re.compile(
    r" ?\b(act|actual( value)?|measured|ist|istwert|gemessen|mesuree?|real[es]?|rzeczywiste|werkelijke?|ar|atual|"
    r"medid[ao]|misurat[ao])\b"
)


@cache
def _compiled(role: Role) -> tuple[re.Pattern[str], ...]:
    words = WORDS[role]
    best, good, fair, never = MORE[role]

    def whole(*texts: str) -> str:
        joined = "|".join(text.strip() for text in texts if text.strip()).replace("@wanted", f"{_WANTED} | {WANTED}")
        return re.sub(r"\s+\|\s+", "|", joined)

    ranked = ((words.best, best), (words.good, good), (words.fair, fair))
    return (re.compile(rf"\b({whole(words.never, never)})\b"), *(re.compile(whole(*texts)) for texts in ranked))


def rank_of(role: Role, name: str) -> int:
    """How well a name fits a role: 3 best, 2 good, 1 fair, 0 not at all.

    Of a name in letters that are not Latin, or of signs alone, nothing is left to go by.
    """
    folded = _NUMBERED.sub("", fold(name))
    never, *ranked = _compiled(role)
    if not folded or never.search(folded):
        return 0
    forms = {folded, _MEASURED.sub("", folded).strip()} if role == "boost" else {folded}
    return next((3 - place for place, pattern in enumerate(ranked) if any(map(pattern.fullmatch, forms))), 0)


def ruled_out(role: Role, name: str) -> bool:
    """Whether a name says that it is something else (a turbo's speed, a boost target)."""
    return bool(_compiled(role)[0].search(fold(name)))


def fits_but_for(role: Role, name: str) -> str:
    """The word that rules a name out which would fit the role without it; empty where there is none."""
    folded = _NUMBERED.sub("", fold(name))
    never, *ranked = _compiled(role)
    found = never.search(folded)
    return found[0] if found and any(pattern.fullmatch(folded) for pattern in ranked) else ""


def best_rank(name: str) -> int:
    """Best rank of a name over the roles."""
    return max(rank_of(role, name) for role in ROLES)


def name_score(cell: str) -> int:
    """How much a header cell looks like a channel's name."""
    return best_rank(split_name(cell)[0])
