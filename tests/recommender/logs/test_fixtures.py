"""Kept log files: the good ones come out as they were written, the broken ones with the error they must give."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from recommender.logs import LogError, intake

ROOT = Path(__file__).parents[3] / "fixtures" / "logs"


def expected(folder: str) -> dict[str, dict[str, Any]]:
    return tomllib.loads((ROOT / folder / "expected.toml").read_text(encoding="utf-8"))


BROKEN, GOOD = expected("broken"), expected("good")


@pytest.mark.parametrize("folder", ["good", "broken"])
def test_every_file_has_an_expectation(folder: str) -> None:
    names = {path.name for path in (ROOT / folder).iterdir()} - {"expected.toml"}
    assert names == set(expected(folder))


@pytest.mark.parametrize("name", [name for name, wanted in BROKEN.items() if "error" in wanted])
def test_broken_file_gives_its_error(name: str) -> None:
    with pytest.raises(LogError) as caught:
        intake(ROOT / "broken" / name)
    wanted = BROKEN[name]["error"]
    assert str(caught.value).startswith(wanted) if wanted.endswith("(") else str(caught.value) == wanted


@pytest.mark.parametrize("name", [name for name, wanted in BROKEN.items() if "refused" in wanted])
def test_untrustworthy_pull_is_refused(name: str) -> None:
    pulls = intake(ROOT / "broken" / name).pulls
    assert [pull.quality.verdict for pull in pulls] == ["refused"]
    assert pulls[0].quality.remarks[0].text == BROKEN[name]["refused"]
    assert pulls[0].quality.remarks[0].time_s is not None


@pytest.mark.parametrize("name", list(GOOD))
def test_good_file_is_read_as_written(name: str) -> None:
    wanted = GOOD[name]
    log = intake(ROOT / "good" / name)
    assert log.layout == wanted["layout"]
    assert log.boost_is == wanted["boost_is"]
    assert log.conditions.barometer_kpa == pytest.approx(wanted.get("barometer_kpa", 101.325), abs=0.01)
    assert log.conditions.barometer_from == wanted.get("barometer_from", log.conditions.barometer_from)
    assert wanted.get("warning", "") in "".join(log.warnings)
    (pull,) = log.pulls
    assert pull.quality.verdict == "taken"
    assert pull.start_s == pytest.approx(9.0, abs=0.6)  # 10 Hz, 20 rpm of noise at 625 rpm/s
    assert pull.end_s == pytest.approx(17.0, abs=0.6)
    plateau = pull.trace.boost_kpa[(pull.trace.rpm > 5000.0) & (pull.trace.boost_kpa < 130.0)]
    assert np.mean(plateau) == pytest.approx(110.0, abs=1.0)  # 32 samples of 1.5 kPa noise: 0.27 of the mean
    # The highest of 50 samples of 1.5 kPa noise lies 2 to 4 kPa over the plateau.
    assert pull.trace.boost_kpa.max() == pytest.approx(
        wanted.get("peak_kpa", 113.0), abs=0.1 if "peak_kpa" in wanted else 2.0
    )
