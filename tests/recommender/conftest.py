"""A plain car, made up for these tests alone, and its logs: boost by arithmetic, no engine behind it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest

from models.settings import Settings
from recommender.session import Session

JOB = """\
name = "Harbour hatch"
pressure = "psi"

[target]
rpm        = [2600, 3900, 6800]
boost      = [8.0, 16.0, 16.0]
judge_from = 3900
judge_to   = 6700

[limit]
overpressure = 19.0
risk = 0.01

[knobs.duty]
lower = 0
upper = 90
resolution = 1
step = 20

[knobs.ramp_from]
lower = 3000
upper = 5500
resolution = 100
step = 1000

[knobs.ramp_to]
lower = 5600
upper = 7000
resolution = 100
step = 1000

[knobs.ramp_add]
lower = 0
upper = 30
resolution = 1
step = 10

[knobs.engagement]
lower = 0.0
upper = 16.0
resolution = 0.5
step = 8.0

[knobs.gain]
lower = 0
upper = 10
resolution = 1
step = 3
"""


def boost_of(settings: Settings, rpm: np.ndarray, *, spring_kpa: float = 65.0) -> np.ndarray:
    """Boost of the plain car: a spool line up to what spring and duty hold, falling a little with rpm. [kPa gauge]"""
    share = 0.6 * np.clip((settings.effective_duty(rpm) - 5.0) / 90.0, 0.0, 1.0)
    held = spring_kpa * (1.0 - 0.03 * (rpm - 4000.0) / 3000.0) / (1.0 - share)
    spool = 25.0 + 0.075 * (rpm - 2200.0)
    return -4.0 * np.logaddexp(-spool / 4.0, -held / 4.0)


def write_pull(
    path: Path,
    settings: Settings,
    *,
    seed: int = 1,
    last_rpm: float = 7000.0,
    scale: float = 1.0,
    spring_kpa: float = 65.0,
    pinned_kpa: float = float("inf"),
    more: Mapping[str, Callable[[np.ndarray], np.ndarray]] | None = None,
) -> Path:
    """One recording at 50 Hz: coasting, the sweep at full throttle, the lift.

    Args:
        path: Where to.
        settings: What is dialled in; engagement in kPa.
        seed: Of the gauge's noise.
        last_rpm: Where the driver lifts.
        scale: On boost, for a gauge that reads wrong or a car that has changed.
        spring_kpa: What the spring holds.
        pinned_kpa: Top of the gauge.
        more: More columns, as functions of rpm.
    """
    random = np.random.default_rng(seed)
    swept = np.linspace(2200.0, last_rpm, int((last_rpm - 2200.0) / 10.0))
    rpm = np.concatenate([np.full(60, 2200.0), swept, np.linspace(last_rpm, 3000.0, 120)])
    throttle = np.concatenate([np.full(60, 15.0), np.full(swept.size, 100.0), np.zeros(120)])
    held = scale * boost_of(settings, swept, spring_kpa=spring_kpa)
    boost = np.concatenate([np.full(60, -20.0), held, np.full(120, -60.0)])
    boost = np.minimum(boost + random.normal(0.0, 0.3, boost.size), pinned_kpa)
    columns = {
        "Time [s]": np.arange(rpm.size) * 0.02,
        "Engine Speed [rpm]": rpm,
        "Boost [kPa]": boost,
        "Throttle [%]": throttle,
        **{name: channel(rpm) for name, channel in (more or {}).items()},
    }
    table = np.column_stack(list(columns.values()))
    np.savetxt(path, table, delimiter=",", header=",".join(columns), comments="", fmt="%.3f")
    return path


OPENER = """
import sys
from recommender.session import Job, Session
import recommender.record.record, sqlalchemy.dialects.sqlite

print("ready", flush=True)
sys.stdin.readline()
with Session.open(sys.argv[1], storage=sys.argv[2]) as session:
    print(session.seed)
"""


def open_at_once(folders: Sequence[Path], url: str) -> list[str]:
    """Open a job from each folder, in processes that begin at one moment; gives the seeds that they print."""
    children = []
    for place in folders:
        words = [sys.executable, "-c", OPENER, str(place), url]
        pipe = subprocess.PIPE
        children.append(subprocess.Popen(words, stdin=pipe, stdout=pipe, stderr=pipe, text=True))
    for child in children:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
    for child in children:
        assert child.stdin is not None
        child.stdin.write("\n")
        child.stdin.flush()
    ends = [child.communicate(timeout=60) for child in children]
    assert [child.returncode for child in children] == [0] * len(children), ends
    return [out for out, _ in ends]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the job file."""
    place = tmp_path / "job"
    place.mkdir()
    (place / "job.toml").write_text(JOB, encoding="utf-8")
    return place


@pytest.fixture
def session(folder: Path) -> Iterator[Session]:
    """A job just begun."""
    with Session.open(folder) as opened:
        yield opened


@pytest.fixture
def job_text() -> str:
    """The job file's text."""
    return JOB


@pytest.fixture
def pull_log(tmp_path: Path) -> Callable[..., Path]:
    """Write the log of a pull: settings in kPa, or those of a session's mapping. A new file and seed at each call."""
    count = 0

    def write(settings: Settings, **options: object) -> Path:
        nonlocal count
        count += 1
        return write_pull(tmp_path / f"pull {count}.csv", settings, **{"seed": count, **options})  # type: ignore[arg-type]

    return write
