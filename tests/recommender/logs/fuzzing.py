"""Random and damaged logs, and what must hold for each: no fault but ``LogError``, and no pull that is not there."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from recommender.logs import DIALECTS, Dialect, FoundPull, Intake, LogError, ReadOptions, intake, write_log

from .recordings import PLATEAU_KPA, Channels, recording, without

_WORDS = (
    "Time", "time", "Zeit", "Temps", "RPM", "rpm", "Engine Speed", "Motordrehzahl", "Boost", "MAP", "Ladedruck",
    "Manifold Pressure", "Baro", "Throttle", "TPS", "Pedal", "WGDC", "Duty", "Lambda", "AFR", "EGT", "Knock", "IAT",
    "ECT", "Boost Target", "Turbo Speed", "Gear", "", "#", "Time", "x", "°", "Kühl", "\u4e2d", '"', "'",
)  # fmt: skip
_UNITS = ("", "[kPa]", "(psi)", "[bar]", "(rpm)", "[1/min]", "(s)", "[ms]", "[°C]", "(V)", "[%]", "[]", "()", "(inHg)")
_ODD = ("", "-", "n/a", "NaN", "inf", "-inf", "1e999", "1e308", "ON", "12:00:01.5", "0x1F", "1,5", "1.234,5", "--", "٣")
_SIGNS = (",", ";", "\t", "|", " ")


@st.composite
def odd_tables(draw: st.DrawFn) -> bytes:
    """Text that looks more or less like a table."""
    width = draw(st.integers(1, 7))
    separator = draw(st.sampled_from(_SIGNS))
    names = [draw(st.sampled_from(_WORDS)) + " " + draw(st.sampled_from(_UNITS)) for _ in range(width)]
    rows = draw(st.integers(0, 60))
    kinds = [draw(st.sampled_from(("ramp", "flat", "noise", "clock", "odd", "huge", "sweep"))) for _ in range(width)]
    if draw(st.booleans()):
        units = draw(st.sampled_from(("[kPa]", "(psi)", "", "[bar]")))
        names[:0] = [draw(st.sampled_from(("Time (s)", "Zeit", "t"))), "RPM", f"Boost {units}"]
        kinds[:0] = [draw(st.sampled_from(("ramp", "clock", "flat"))), draw(st.sampled_from(("sweep", "odd"))), "boost"]
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    lines = [separator.join(names)] if draw(st.booleans()) else []
    for row in range(rows):
        cells = []
        for kind in kinds:
            number = {
                "ramp": row * 0.1, "flat": 5.0, "noise": rng.normal(), "huge": rng.normal() * 1e200,
                "sweep": 1500.0 + 120.0 * row, "boost": min(3.0 * row, 60.0) + rng.normal(),
            }.get(kind)  # fmt: skip
            text = (
                f"{number:.6g}" if number is not None else f"10:00:{row:02d}.5" if kind == "clock" else rng.choice(_ODD)
            )
            cells.append(text if rng.random() > 0.02 else str(rng.choice(_ODD)))
        lines.append(separator.join(cells[: len(cells) - (rng.random() < 0.02)]))
    ending = draw(st.sampled_from(("\n", "\r\n", "\r")))
    text = ending.join([*draw(st.lists(st.text(max_size=20), max_size=3)), *lines]) + draw(
        st.sampled_from(("", ending))
    )
    return text.encode(draw(st.sampled_from(("utf-8", "utf-16", "utf-8-sig", "latin-1"))), errors="replace")


@st.composite
def damaged_logs(draw: st.DrawFn, samples: list[bytes]) -> bytes:
    """A sound log with bytes changed, cut out, repeated or cut off."""
    data = bytearray(draw(st.sampled_from(samples)))
    for _ in range(draw(st.integers(1, 6))):
        place = draw(st.integers(0, max(len(data) - 1, 0)))
        length = draw(st.integers(1, 200))
        match draw(st.sampled_from(("change", "cut", "repeat", "end", "insert"))):
            case "change":
                data[place : place + 1] = bytes([draw(st.integers(0, 255))])
            case "cut":
                del data[place : place + length]
            case "repeat":
                data[place:place] = data[place : place + length]
            case "end":
                del data[place:]
            case _:
                data[place:place] = draw(st.binary(min_size=1, max_size=8))
    return bytes(data)


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    """Any dialect that can be read without more being said: decimal and separator differ, pressures have units."""
    decimal = draw(st.sampled_from((".", ",")))
    separator = draw(st.sampled_from(tuple(sign for sign in (",", ";", "\t", "|") if sign != decimal)))
    quoted = draw(st.booleans())
    absolute = draw(st.booleans())
    return Dialect(
        separator=separator,
        decimal=decimal,
        thousands=draw(st.sampled_from(("", "," if decimal == "." else "."))) if quoted or separator != "," else "",
        quoted=quoted,
        language=draw(st.sampled_from(("English", "German", "French", "short"))),
        unit_place=draw(st.sampled_from(("square", "round", "row"))),
        pressure=draw(st.sampled_from(("kPa", "psi", "bar", "mbar", "inHg", "hPa"))),
        absolute=absolute,
        barometer=absolute or draw(st.booleans()),
        time=draw(st.sampled_from(("s", "ms", "clock", "date", "none"))),
        encoding=draw(st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "latin-1"))),
        newline=draw(st.sampled_from(("\n", "\r\n"))),
        packed=draw(st.sampled_from(("", "", "", "gz", "zip", "bz2", "xz"))),
        above=draw(st.sampled_from(((), ("# Dyno run", "# cell 2, windy"), ("Car: Harbour hatch", "")))),
        below=draw(st.sampled_from(((), ("End of log",)))),
        repeat_header=draw(st.booleans()),
        fahrenheit=draw(st.booleans()),
        strange=draw(st.booleans()),
    )


@st.composite
def written_logs(draw: st.DrawFn) -> tuple[Channels, Dialect]:
    """A recording with known numbers and the dialect to write it in."""
    channels = recording(
        draw(st.sampled_from((10.0, 20.0, 25.0, 50.0))),
        around=draw(st.booleans()),
        sweep_s=draw(st.floats(6.0, 14.0)),
        rpm_from=draw(st.floats(1500.0, 2600.0)),
        rpm_to=draw(st.floats(6000.0, 7500.0)),
        plateau_kpa=draw(st.floats(40.0, 200.0)),
        noise_kpa=draw(st.floats(0.1, 1.5)),
        noise_rpm=draw(st.floats(0.0, 20.0)),
        barometer_kpa=draw(st.floats(80.0, 104.0)),
        seed=draw(st.integers(0, 1000)),
    )
    channels["boost_kpa"] = np.maximum(channels["boost_kpa"], 18.0 - channels["barometer_kpa"])  # no engine draws more
    names = ("throttle_pct", "duty_pct", "lambda", "exhaust_c", "knock", "intake_c", "coolant_c")
    return without(channels, *draw(st.sets(st.sampled_from(names)))), draw(dialects())


def read_without_fault(path: Path, data: bytes) -> Intake | None:
    """Intake of any bytes: a result or a ``LogError`` with a message; anything else is a fault of ours."""
    path.write_bytes(data)
    try:
        log = intake(path, ReadOptions(default_pressure_unit="psi", judged=(3900.0, 6700.0)))
    except LogError as error:
        assert len(str(error)) > 20  # noqa: PT017  a plain function, no test
        return None
    for pull in log.pulls:
        assert np.isfinite(pull.trace.boost_kpa).all()
        assert np.isfinite(pull.trace.rpm).all()
    return log


def check_read_right(path: Path, channels: Channels, dialect: Dialect) -> FoundPull | None:
    """A written log comes back as it was, or is refused; never as something else."""
    write_log(path, channels, dialect)
    try:
        log = intake(path, ReadOptions(default_pressure_unit=dialect.pressure))
    except LogError:
        return None
    usable = [pull for pull in log.pulls if pull.usable]
    assert len(usable) == 1, [(pull.kind, pull.start_s, pull.quality) for pull in log.pulls]
    trace = usable[0].trace
    wanted = channels["boost_kpa"]
    # Every boost in the trace was recorded: rounding of the coarsest dialect is 0.05 kPa.
    nearest = np.min(np.abs(trace.boost_kpa[:, None] - wanted[None, :]), axis=1)
    assert nearest.max() < 0.06, nearest.max()
    rpm = channels["rpm"]
    sweep = (rpm.max() - rpm.min()) if "throttle_pct" not in channels else float(np.ptp(trace.rpm))
    assert np.ptp(trace.rpm) > 0.7 * min(sweep, 4000.0)
    top = wanted[rpm > np.quantile(rpm, 0.9)]
    assert trace.boost_kpa.max() > np.median(top[top > 0]) - 1.0
    return usable[0]


@st.composite
def mistreated_logs(draw: st.DrawFn) -> tuple[Channels, bytes, str]:
    """A written log after what happens to files: lines lost, doubled, commented, the end cut off."""
    channels, dialect = draw(written_logs())
    dialect = replace(dialect, packed="", encoding="utf-8", newline="\n", repeat_header=False)
    with tempfile.TemporaryDirectory() as name:
        lines = write_log(Path(name) / "log", channels, dialect).read_text(encoding="utf-8").split("\n")
    first = len(dialect.above) + 3
    for _ in range(draw(st.integers(0, 5))):
        place = draw(st.integers(first, len(lines) - 2))
        match draw(st.sampled_from(("lose", "double", "comment", "blank"))):
            case "lose":
                del lines[place : place + draw(st.integers(1, 30))]
            case "double":
                lines[place:place] = [lines[place]]
            case "comment":
                lines[place:place] = ["# marker"]
            case _:
                lines[place:place] = [""]
        if len(lines) < first + 10:
            break
    text = "\n".join(lines)
    if draw(st.booleans()):
        text = text[: draw(st.integers(len(text) // 2, len(text)))]
    return channels, text.encode(), dialect.pressure


def check_nothing_made_up(path: Path, case: tuple[Channels, bytes, str]) -> Intake | None:
    """Whatever was done to the file, every boost in a usable pull was recorded, at about its engine speed."""
    channels, data, unit = case
    path.write_bytes(data)
    try:
        log = intake(path, ReadOptions(default_pressure_unit=unit))
    except LogError:
        return None
    for trace in (pull.trace for pull in log.pulls if pull.usable):
        gap = np.abs(trace.boost_kpa[:, None] - channels["boost_kpa"][None, :])
        gap += 0.002 * np.maximum(np.abs(trace.rpm[:, None] - channels["rpm"][None, :]) - 1.0, 0.0)
        assert gap.min(axis=1).max() < 0.2, (trace, gap.min(axis=1))
    return log


def sound_samples(folder: Path) -> list[bytes]:
    """Small sound logs of many dialects."""
    short = recording(10.0, sweep_s=5.0)
    samples = []
    for name in DIALECTS:
        samples.append(write_log(folder / "sample", short, name).read_bytes())
    return samples


__all__ = [
    "PLATEAU_KPA",
    "check_nothing_made_up",
    "check_read_right",
    "damaged_logs",
    "mistreated_logs",
    "odd_tables",
    "read_without_fault",
    "sound_samples",
    "written_logs",
]
