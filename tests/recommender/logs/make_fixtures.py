"""Writes fixtures/logs: ``python -m tests.recommender.logs.make_fixtures``. Run once; the files are kept.

The expectations lie beside the files and were written by hand.
"""

from __future__ import annotations

import gzip
import zipfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from recommender.logs import write_log
from tests.recommender.logs.recordings import Channels, full_load_rows, recording, without

ROOT = Path(__file__).parents[3] / "fixtures" / "logs"


def table(
    path: Path, names: Sequence[str], columns: Sequence[np.ndarray], *, decimals: int = 2, sep: str = ","
) -> None:
    """A plain table."""
    rows = [sep.join(f"{value:.{decimals}f}" for value in row) for row in zip(*columns, strict=True)]
    path.write_text("\n".join([sep.join(names), *rows]) + "\n", encoding="utf-8")


def small(seed: int = 0) -> Channels:
    """A short recording, to keep the files small."""
    return recording(10.0, sweep_s=8.0, seed=seed)


def good() -> None:
    folder = ROOT / "good"
    folder.mkdir(parents=True, exist_ok=True)
    write_log(folder / "plain_commas.csv", without(small(), "knock", "exhaust_c"), "plain commas")
    write_log(folder / "units_row_absolute.csv", small(1), "units row, absolute and barometer")
    write_log(folder / "german_semicolons.csv", small(2), "semicolons and decimal commas")
    write_log(folder / "tabs_milliseconds.txt", small(3), "tabs, milliseconds, comment lines")
    write_log(folder / "wide_characters.txt", small(4), "wide characters")
    write_log(folder / "french_bom.csv", small(5), "byte-order mark")
    write_log(folder / "packed.csv.gz", small(6), "packed with gzip")
    cut = write_log(folder / "cut_short.csv", without(small(7), "throttle_pct"), "short names")
    cut.write_bytes(cut.read_bytes()[:-60])
    spike = small(8)
    _, last = full_load_rows(spike)
    spike["boost_kpa"][last + 2] = 158.0
    write_log(folder / "spike_at_lift.csv", spike, "plain commas")
    key_on = small(9)
    key_on["rpm"][:20], key_on["boost_kpa"][:20] = 0.0, 0.0
    write_log(folder / "key_on_absolute.csv", without(key_on, "barometer_kpa"), "German, absolute, tabs")


def broken_files() -> None:
    folder = ROOT / "broken"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "empty.csv").write_bytes(b"")
    (folder / "header_only.csv").write_text("time,rpm,boost\n")
    (folder / "letter.txt").write_text("Dear workshop,\nthe log did not save.\nRegards\n")
    (folder / "web_page.csv").write_text("<html><body><h1>Sign in</h1><p>to get your log</p></body></html>\n")
    (folder / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8 + bytes(4000))
    (folder / "damaged.parquet").write_bytes(b"PAR1" + bytes(range(200)) + b"PAR1")
    (folder / "damaged.mf4").write_bytes(b"MDF     4.10    " + bytes(300))
    plain = write_log(folder / "x.csv", small(), "plain commas")
    packed = gzip.compress(plain.read_bytes(), mtime=0)
    (folder / "cut_archive.csv.gz").write_bytes(packed[: len(packed) // 2])
    with zipfile.ZipFile(folder / "two_logs.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for name in ("first.csv", "second.csv"):
            archive.writestr(zipfile.ZipInfo(name), plain.read_bytes())
    plain.unlink()


def broken_tables() -> None:
    folder = ROOT / "broken"
    log = recording(10.0, sweep_s=8.0, around=False, noise_kpa=0.5)
    time, rpm, boost = log["time_s"], log["rpm"], log["boost_kpa"]
    table(folder / "no_names.csv", ["0.0", "2000", "3.1"], [time, rpm, boost])
    table(folder / "no_rpm.csv", ["Time (s)", "Boost (kPa)", "Coolant Temp (C)"], [time, boost, log["coolant_c"]])
    table(folder / "no_boost.csv", ["Time (s)", "RPM", "Fuel Pressure (kPa)"], [time, rpm, boost + 300])
    table(folder / "no_time.csv", ["RPM", "Boost (kPa)", "Throttle (%)"], [rpm, boost, log["throttle_pct"]])
    table(folder / "two_boosts.csv", ["Time", "RPM", "Boost A (kPa)", "Boost B (kPa)"], [time, rpm, boost, boost * 0.8])
    table(
        folder / "same_name_twice.csv", ["Time", "RPM", "Boost (kPa)", "Boost (kPa)"], [time, rpm, boost, boost * 0.8]
    )
    table(folder / "two_engine_speeds.csv", ["Time", "RPM", "RPM", "Boost (kPa)"], [time, rpm, rpm[::-1], boost])
    table(folder / "boost_in_volts.csv", ["Time", "RPM", "Boost (V)"], [time, rpm, boost / 60 + 1])
    table(folder / "no_unit.csv", ["Time", "RPM", "Boost"], [time, rpm, boost * 0.36])
    table(folder / "gauge_or_absolute.csv", ["Time", "RPM", "Boost (kPa)"], [time, rpm, boost + 100])
    table(
        folder / "absolute_below_zero.csv", ["Time", "RPM", "Manifold Absolute Pressure (kPa)"], [time, rpm, boost - 60]
    )
    table(folder / "beyond_any_turbo.csv", ["Time", "RPM", "Boost (bar)"], [time, rpm, boost])
    table(folder / "rpm_of_a_clock.csv", ["Time", "RPM", "Boost (kPa)"], [time, rpm / 300, boost])
    table(folder / "three_rows.csv", ["Time", "RPM", "Boost (kPa)"], [time[:3], rpm[:3], boost[:3]])
    rows = [f"{t:.2f},{n:.1f},{p:.2f}".replace(".", ",") for t, n, p in zip(time, rpm, boost, strict=True)]
    (folder / "commas_twice.csv").write_text("\n".join(["time,rpm,boost [kPa]", *rows]) + "\n")
    words = [f"{t:.2f},high,{p:.2f}" for t, p in zip(time, boost, strict=True)]
    (folder / "rpm_in_words.csv").write_text("\n".join(["time,rpm,boost [kPa]", *words]) + "\n")


def refused_pulls() -> None:
    folder = ROOT / "broken"
    pinned = recording(10.0, sweep_s=8.0, plateau_kpa=130.0)
    pinned["boost_kpa"] = np.minimum(pinned["boost_kpa"], 120.0)
    write_log(folder / "pinned_gauge.csv", pinned, "plain commas")
    frozen = small()
    start, last = full_load_rows(frozen)
    frozen["boost_kpa"][start + 30 : last] = frozen["boost_kpa"][start + 30]
    write_log(folder / "frozen_boost.csv", frozen, "semicolons and decimal commas")
    holes = {name: np.delete(values, np.arange(start + 25, last - 15)) for name, values in small().items()}
    write_log(folder / "hole_in_the_pull.csv", holes, "plain commas")
    write_log(folder / "two_a_second.csv", recording(2.0, sweep_s=3.5, noise_rpm=5.0), "plain commas")


if __name__ == "__main__":
    good()
    broken_files()
    broken_tables()
    refused_pulls()
