"""On-board diagnostics: bytes scaled as SAE J1979 says, logged, and read back.

SAE J1979 (mode 01): engine speed (256 A + B)/4 rpm, manifold pressure A kPa, pedal and throttle 100 A/255 %,
temperatures A - 40 °C, barometer A kPa. Formulas from memory; the KIT road logs obey them (test_kit_logs).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import intake

_A = np.arange(256)


def _bus_log(path: Path) -> dict[str, np.ndarray]:
    """A pull as a diagnostic reader would log it: bytes scaled, one row for each round of requests."""
    rows = 160
    time = np.arange(rows) / 10.0
    speed_bits = np.round(np.linspace(2000, 6800, rows) * 4).astype(int)
    high, low = speed_bits // 256, speed_bits % 256
    pressure = np.round(100 + 110 / (1 + np.exp(-(speed_bits / 4 - 3200) / 300))).astype(int)
    values = {
        "rpm": (256 * high + low) / 4.0,
        "map": pressure.astype(float),
        "pedal": np.full(rows, 100.0 * 217 / 255),
        "intake": np.full(rows, 71 - 40.0),
        "coolant": np.full(rows, 130 - 40.0),
        "barometer": np.full(rows, 99.0),
    }
    heads = "Time (s),Engine RPM (rpm),Intake Manifold Absolute Pressure (kPa),Accelerator Pedal Position (%),"
    heads += "Intake Air Temperature (°C),Engine Coolant Temperature (°C),Barometric Pressure (kPa)"
    lines = [heads] + [f"{time[k]:.1f}," + ",".join(f"{values[name][k]:.2f}" for name in values) for k in range(rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return values


def test_full_pedal_reads_85_percent_and_the_pull_is_found(tmp_path: Path) -> None:
    """217 of 255 is 85.10 %: what full pedal reads on the bus (checks' table, row 42)."""
    assert pytest.approx(85.10, abs=0.005) == 100.0 * 217 / 255
    values = _bus_log(tmp_path / "bus.csv")
    log = intake(tmp_path / "bus.csv")
    (pull,) = log.pulls
    assert pull.usable
    assert pull.conditions.barometer_kpa == 99.0
    assert pull.conditions.intake_c == 31.0
    assert pull.conditions.coolant_c == 90.0
    assert pull.trace.boost_kpa.max() == values["map"].max() - 99.0
    assert pull.trace.rpm[-1] == pytest.approx(values["rpm"][-1], abs=60)


def test_quantum_of_each_reading() -> None:
    """One bit: 1 kPa, 0.25 rpm, 0.392 %, 1 °C."""
    assert np.diff(100 * _A / 255).max() == pytest.approx(0.392, abs=0.001)
    assert ((256 * 26 + 16) / 4) == 1668.0
    assert ((256 * 26 + 17) / 4) - ((256 * 26 + 16) / 4) == 0.25


def test_a_one_byte_pressure_at_its_top_is_refused(tmp_path: Path) -> None:
    """255 kPa is all that one byte can say: the true peak of such a pull is not in the log."""
    _bus_log(tmp_path / "bus.csv")
    text = (tmp_path / "bus.csv").read_text(encoding="utf-8")
    lines = text.splitlines()
    rows = [line.split(",") for line in lines[1:]]
    for row in rows:
        row[2] = f"{min(float(row[2]) * 1.3, 255.0):.2f}"
    (tmp_path / "top.csv").write_text("\n".join([lines[0], *(",".join(row) for row in rows)]), encoding="utf-8")
    (pull,) = intake(tmp_path / "top.csv").pulls
    assert pull.quality.verdict == "refused"
    assert pull.quality.remarks[0].code == "pinned"
    assert "255 kPa" in pull.quality.remarks[0].text
