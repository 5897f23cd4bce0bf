"""Logs in nine languages' usual words, in the shapes their loggers and spreadsheets write."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import Intake, intake
from recommender.logs.words import rank_of
from recommender.logs.written_units import split_name

from .recordings import Channels, recording

#: Usual headings, in the order time, engine speed, boost, absolute manifold pressure, barometer, pedal or throttle,
#: intake air, coolant. From workshop usage.
HEADINGS = {
    "English": "Log Time|Crank Speed|Turbo Pressure|Inlet Manifold Pressure|Baro|APPS|Charge Temp|Water Temp",
    "German": "Messzeit|n_mot|Ueberdruck Ladeluft|Saugrohrabsolutdruck|Luftdruck|Pedalstellung|Ansauglufttemp.|"
    "Wassertemperatur",
    "French": "Horodatage|Tours moteur|Pression suralim|Pression tubulure admission|Pression atmo|Ouverture papillon|"
    "Temp. air|Température eau moteur",
    "Spanish": "Marca de tiempo|Régimen del motor|Presión de soplado|Presión absoluta del colector de admisión|"
    "Presión barométrica|Posición del acelerador|Temp. admisión|Temp. refrigerante",
    "Italian": "Orario|Giri motore|Pressione di sovralimentazione|Pressione collettore aspirazione|"
    "Pressione atmosferica|Farfalla|Temperatura aria aspirata|Temperatura liquido raffreddamento",
    "Polish": "Czas|Prędkość obrotowa silnika|Ciśnienie doładowania|Ciśnienie bezwzględne w kolektorze dolotowym|"
    "Ciśnienie atmosferyczne|Położenie przepustnicy|Temp. dolotu|Temperatura płynu chłodzącego",
    "Dutch": "Tijdstip|Motortoerental|Laaddruk|Inlaatdruk absoluut|Omgevingsdruk|Gasklepstand|"
    "Inlaatluchttemperatuur|Koelvloeistoftemperatuur",
    "Swedish": "Tid|Varvtal|Laddtryck|Absolut insugningstryck|Atmosfärstryck|Gasspjäll|Insugstemperatur|"
    "Kylvattentemperatur",
    "Portuguese": "Tempo|Rotação do motor|Pressão do turbo|Pressão absoluta do coletor|Pressão atmosférica|Borboleta|"
    "Temperatura do ar de admissão|Temperatura do líquido de arrefecimento",
}
SPEED = {"German": "U/min", "French": "tr/min", "Italian": "giri/min", "Polish": "obr/min", "Dutch": "omw/min"}
ABSOLUTE = {"Italian": "ass"}
#: Channels that share words with ours and are something else.
OTHERS = {
    "boost": "Presión turbo deseada|Presión de aceite|Pressione turbo obiettivo|Pressione olio|Oliedruk|Oljetryck|"
    "Ciśnienie doładowania zadane|Ciśnienie oleju|Laaddruk gewenst|Begärt laddtryck|Pressão alvo do turbo|Uitlaatdruk",
    "rpm": "Velocidad del vehículo|Giri turbina|Prędkość pojazdu|Obroty turbosprężarki|Turbotoerental|Hastighet|"
    "Rotação da turbina|Giri minimo|Carga del motor",
    "throttle": "Pedal de freno|Pedale freno|Pedał hamulca|Rempedaal|Bromspedal|Borboleta alvo|Przepustnica zadana",
    "time": "Tiempo de inyección|Tempo di iniezione|Czas wtrysku|Inspuittijd|Insprutningstid|Czas zapłonu",
    "coolant_c": "Temperatura aceite|Temperatura olio motore|Temperatura oleju|Olietemperatuur|Oljetemperatur",
    "intake_c": "Temperatura exterior|Temperatura esterna|Buitentemperatuur|Utetemperatur|Temperatura ambiente",
}
BAR, HPA = 100.0, 0.1


def number(value: float, digits: int, decimal: str, thousands: str) -> str:
    text = f"{value:,.{digits}f}".replace(",", "_").replace(".", decimal)
    return text.replace("_", thousands)


def columns_of(
    channels: Channels, language: str, absolute: bool, per_kpa: float, digits: int, signs: tuple[str, str]
) -> list[tuple[str, str, list[str]]]:
    """Heading, unit and cells of every column, boost in another unit: ``per_kpa`` kPa each."""
    time, speed, boost, manifold, baro, pedal, intake_air, coolant = HEADINGS[language].split("|")
    unit = {BAR: "bar", HPA: "hPa"}[per_kpa]
    level = channels["boost_kpa"] + (96.5 if absolute else 0.0)
    ones = np.ones(level.size)
    mark = ABSOLUTE.get(language, "abs") if absolute else "rel"

    def cells(values: np.ndarray, places: int) -> list[str]:
        return [number(value, places, *signs) for value in values]

    clock = [f"14.03.2026 10:{12 + int(t // 60)}:{t % 60:06.3f}" for t in channels["time_s"]]
    return [
        (time, "", clock),
        (pedal, "%", cells(channels["throttle_pct"], 0)),
        (speed, SPEED.get(language, "rpm"), cells(channels["rpm"], 0)),
        (manifold if absolute else boost, f"{unit} {mark}", cells(level / per_kpa, digits)),
        (baro, "mbar", cells(965.0 * ones, 0)),
        (intake_air, "°C", cells(31.0 * ones, 1)),
        (coolant, "°C", cells(88.0 * ones, 1)),
    ]


def written(path: Path, columns: list[tuple[str, str, list[str]]], shape: str, encoding: str = "utf-8") -> Path:
    """A log in one of the shapes: units in brackets, after a comma with the names repeated half way, in a row."""
    heads = {
        "brackets": [f"{name} [{unit}]" if unit else name for name, unit, _ in columns],
        "after a comma": [f"{name}, {unit}" if unit else name for name, unit, _ in columns],
        "row": [name for name, _, _ in columns],
    }[shape]
    rows = ["\t".join(cells) for cells in zip(*(cells for _, _, cells in columns), strict=True)]
    half = len(rows) // 2
    above = ["\t".join(heads)] + (["\t".join(unit for _, unit, _ in columns)] if shape == "row" else [])
    again = ["\t".join(heads)] if shape == "after a comma" else []
    path.write_bytes("\n".join([*above, *rows[:half], *again, *rows[half:], ""]).encode(encoding))
    return path


def check(log: Intake, channels: Channels) -> None:
    (pull,) = [pull for pull in log.pulls if pull.usable]
    assert pull.quality.verdict == "taken"
    full = channels["throttle_pct"] > 90.0
    # 0.7 kPa: half the last digit of boost and barometer in these units, and the ambient's own half digit.
    assert pull.trace.boost_kpa.max() == pytest.approx(channels["boost_kpa"][full].max(), abs=0.7)
    assert pull.trace.rpm.max() == pytest.approx(channels["rpm"][full].max(), abs=60.0)
    assert (pull.conditions.intake_c, pull.conditions.coolant_c) == (31.0, 88.0)
    assert pull.conditions.barometer_kpa == pytest.approx(96.5)


@pytest.mark.parametrize("absolute", [False, True])
@pytest.mark.parametrize("shape", ["brackets", "after a comma", "row"])
@pytest.mark.parametrize("language", HEADINGS)
def test_every_language_in_every_shape(tmp_path: Path, language: str, shape: str, absolute: bool) -> None:
    """Decimal commas with hPa in thousands points, or points with hPa in thousands commas, or bar."""
    channels = recording(20.0, plateau_kpa=112.0, seed=sum(map(ord, language)))
    signs = {"brackets": (",", "."), "after a comma": (".", ""), "row": (".", ",")}[shape]
    per_kpa, digits = (BAR, 3) if shape == "after a comma" else (HPA, 0)
    columns = columns_of(channels, language, absolute, per_kpa, digits, signs)
    check(intake(written(tmp_path / "log.txt", columns, shape)), channels)


@pytest.mark.parametrize("encoding", ["cp1250", "utf-16"])
def test_polish_in_other_encodings(tmp_path: Path, encoding: str) -> None:
    channels = recording(20.0, plateau_kpa=112.0)
    columns = columns_of(channels, "Polish", True, HPA, 0, (",", ""))
    check(intake(written(tmp_path / "log.txt", columns, "brackets", encoding)), channels)


@pytest.mark.parametrize("role", OTHERS)
def test_other_channels_of_these_languages_do_not_fit(role: str) -> None:
    fitting = [name for name in OTHERS[role].split("|") if rank_of(role, name)]  # type: ignore[arg-type]
    assert fitting == []


@pytest.mark.parametrize("heading", ["Numero giri", "Numero_di_giri", "Numero giri motore", "Motore giri", "Giri"])
def test_a_word_of_the_name_is_not_taken_off_as_a_unit(heading: str) -> None:
    assert rank_of("rpm", split_name(heading)[0])
