"""Play the job that is kept in ``fixtures/records/format_1``: run once for each format of the record, never again.

    python -m tests.recommender.keep_record FOLDER

The folder gets job file, record and logs; ``expected.json`` says what a reader must find there.
"""

from __future__ import annotations

import contextlib
import datetime
import importlib.util
import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from models.settings import Settings
from recommender.session import PullRefused, Session, plain

BASELINE = {"duty": 0, "ramp_from": 5000, "ramp_to": 7000, "ramp_add": 0, "engagement": 0, "gain": 0}


def play(folder: Path, job_text: str, write_pull: Callable[..., Path]) -> dict[str, Any]:
    """A short job with one of everything: foreign, proposed, changed, aborted, withdrawn, refused, acknowledged."""
    folder.mkdir(parents=True)
    guards = "\n[guards]\nlambda = { highest = 0.86 }\n"
    (folder / "job.toml").write_text(job_text + guards, encoding="utf-8")
    minutes = iter(range(1000))

    def clock() -> datetime.datetime:
        return datetime.datetime(2026, 3, 14, 9, 0) + datetime.timedelta(minutes=next(minutes))

    with tempfile.TemporaryDirectory() as place, Session.open(folder, clock=clock) as session:

        def log(name: str, run: Settings, seed: int, rich: float = 0.8, **options: Any) -> Path:
            more = {"Lambda": lambda rpm: 0.0 * rpm + rich}
            return write_pull(Path(place) / f"{name}.csv", run, seed=seed, more=more, **options)

        session.add_pull(
            log("before", Settings(10, 5000, 7000, 0, 0, 0), 1), settings={**BASELINE, "duty": 10}, foreign=True
        )
        proposed = session.next_step()
        run = session.job.settings_from_job(proposed.settings or {})
        session.add_pull(log("as proposed", run, 2))
        session.next_step()
        session.add_pull(log("changed", Settings(22, 5000, 7000, 0, 0, 0), 3), settings={**BASELINE, "duty": 22})
        session.next_step()
        session.add_pull(log("lifted", Settings(24, 5000, 7000, 0, 0, 0), 4, last_rpm=4900.0), settings={"duty": 24})
        session.add_pull(log("hose off", Settings(24, 5000, 7000, 0, 0, 0), 5, scale=0.5), settings={"duty": 24})
        session.withdraw(5, "hose came off")
        session.next_step()
        session.add_pull(log("lean", Settings(24, 5000, 7000, 0, 0, 0), 6, rich=0.9), settings={**BASELINE, "duty": 24})
        session.next_step()
        session.acknowledge(6, "filter changed")
        last = session.next_step()
        with contextlib.suppress(PullRefused):
            session.add_pull(log("pinned", session.job.settings_from_job(last.settings or {}), 7, pinned_kpa=60.0))
        session.next_step()
        return {
            "pulls": [plain(each) for each in session.pulls(withdrawn=True)],
            "steps": [plain(each) for each in session.steps()],
            "seed": session.seed,
            "digest": session.digest(),
        }


def main(folder: Path) -> None:
    """Play the job into a folder."""
    spec = importlib.util.spec_from_file_location("plain_car", Path(__file__).with_name("conftest.py"))
    assert spec is not None
    assert spec.loader is not None
    car = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(car)
    expected = play(folder, car.JOB, car.write_pull)
    (folder / "expected.json").write_text(json.dumps(expected, indent=1) + "\n", encoding="utf-8")
    (folder / "record.lock").unlink()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
