"""How quick the commands are: ``python -m tests.recommender.bench_commands``.

Prints a table: start-up, ``next`` for a job with 10 pulls in process and as a whole command with its memory, and for
one with 100 pulls in process; beside each time that of the processor, which a busy machine does not lengthen much.
Exit code 1 where a demand is not met and ``--strict`` is given.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from models import fleet
from models.settings import Settings
from recommender.demo import job_text, logged
from recommender.logs import write_log
from recommender.session import Session

KIND, SEED = "free-flowing", 3
REPEATS = 3


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    value: float
    demand: float
    unit: str
    processor_s: float = float("nan")


def best_of(what: Callable[[], object], repeats: int = REPEATS) -> tuple[float, float]:
    """Shortest of some runs: on the clock and on the processor. [s], [s]"""
    times = []
    for _ in range(repeats):
        start, busy = time.perf_counter(), time.process_time()
        what()
        times.append((time.perf_counter() - start, time.process_time() - busy))
    return min(times)


def job_with(folder: Path, pulls: int) -> Path:
    """A job with that many pulls on record, spread over what the dials have, none of them near the limit."""
    car = fleet.make(KIND, SEED)
    folder.mkdir()
    (folder / "job.toml").write_text(job_text(car, "psi"), encoding="utf-8")
    settings = [
        Settings(
            duty=float(5 + (7 * i) % 36),
            ramp_from=float(3500 + 100 * (i % 11)),
            ramp_to=float(6000 + 100 * (i % 8)),
            ramp_add=float((3 * i) % 9),
            engagement=0.0,
            gain=0.5 * (i % 7),
        )
        for i in range(pulls)
    ]
    made = fleet.pull_all([car] * pulls, settings, list(range(pulls)))
    with Session.open(folder) as session:
        for i, (each, pull) in enumerate(zip(settings, made, strict=True)):
            log = write_log(folder / f"pull-{i + 1:03d}.csv", logged(pull))
            session.add_pull(log, session.job.settings_to_job(each), foreign=True)
    return folder


def next_in_process(folder: Path) -> tuple[float, float]:
    """``next`` of a job whose answer is not on record, record opened and read: clock and processor. [s], [s]"""

    def once() -> None:
        with Session.open(folder, read_only=True) as session:
            session.next_step()

    once()
    return best_of(once)


def command(words: Sequence[str]) -> tuple[float, float, float]:
    """A whole command: clock [s], processor [s] and most memory [MB]."""
    start = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-m", "recommender.cli", *words], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    taken = time.perf_counter() - start
    if os.waitstatus_to_exitcode(status) != 0:
        raise RuntimeError(f"nextpull {' '.join(words)} ended with {os.waitstatus_to_exitcode(status)}")
    memory = usage.ru_maxrss / (1024.0 if sys.platform != "darwin" else 1024.0**2)
    return taken, usage.ru_utime + usage.ru_stime, memory


def rows() -> list[Row]:
    """Measure everything."""
    with tempfile.TemporaryDirectory() as place:
        ten, hundred = job_with(Path(place) / "ten", 10), job_with(Path(place) / "hundred", 100)
        start_up = min(command(["--help"])[:2] for _ in range(REPEATS))
        ten_inside = next_in_process(ten)
        *whole, memory = command(["next", str(ten)])
        hundred_inside = next_in_process(hundred)
    return [
        Row("nextpull --help", start_up[0], 0.4, "s", start_up[1]),
        Row("next, 10 pulls, in process", ten_inside[0], 1.0, "s", ten_inside[1]),
        Row("next, 10 pulls, whole command", whole[0], 3.0, "s", whole[1]),
        Row("next, 10 pulls, memory of the command", memory, 600.0, "MB"),
        Row("next, 100 pulls, in process", hundred_inside[0], 3.0, "s", hundred_inside[1]),
    ]


def table(measured: Sequence[Row]) -> list[str]:
    """The rows as text."""
    lines = [f"{'':38}  {'measured':>10}  {'demand':>10}  {'processor':>10}"]
    for row in measured:
        digits = 0 if row.unit == "MB" else 2
        numbers = f"{row.value:>7.{digits}f} {row.unit:2}  {row.demand:>7.{digits}f} {row.unit:2}"
        busy = f"{row.processor_s:>7.2f} s " if row.unit == "s" else " " * 10
        mark = "" if row.value <= row.demand else "  OVER"
        lines.append(f"{row.what:38}  {numbers}  {busy}{mark}".rstrip())
    return lines


def main() -> int:
    """Print the table."""
    measured = rows()
    print("\n".join(table(measured)))
    over = any(row.value > row.demand for row in measured)
    return 1 if over and "--strict" in sys.argv[1:] else 0


if __name__ == "__main__":
    sys.exit(main())
