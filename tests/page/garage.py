"""Cars, job files and logs for the tests of the page: virtual cars, everything by seed."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from models import fleet
from models.settings import KNOB_NAMES, Settings
from models.units import from_kpa
from recommender.logs import write_log
from recommender.session import PullRefused, Session


class Bay:
    """One car and its job folder. The job is in psi.

    Args:
        folder: Where the job file and the logs go; made.
        kind, seed: Of the virtual car.
        tolerance: Deviation at which the job is done. [psi]
        guards: ``[guards]`` of the job file, as TOML lines.
        second: A milder target, road, this share of the car's own, which is then called track.
        third: With ``second``: one milder still, rain.
        name: Of the job.
        limit: Overpressure limit; the car's own where it is None. [psi]
    """

    def __init__(
        self,
        folder: Path,
        kind: str = "free-flowing",
        seed: int = 3,
        *,
        tolerance: float = 0.4,
        guards: str = "",
        second: float | None = None,
        third: float | None = None,
        name: str = "Harbour hatch",
        limit: float | None = None,
    ) -> None:
        self.folder = folder
        self.car = fleet.make(kind, seed)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "job.toml").write_text(self._job(name, tolerance, guards, second, third, limit), encoding="utf-8")

    @property
    def job(self) -> Path:
        return self.folder / "job.toml"

    def log(
        self,
        name: str,
        settings: Mapping[str, float],
        number: int,
        *,
        changed: Mapping[str, Any] | None = None,
        until_rpm: float | None = None,
    ) -> Path:
        """Make a pull and write its log beside the job, in a folder of its own.

        Args:
            name: Of the log.
            settings: In the job's units.
            number: Of the pull, for drift and noise.
            changed: Channels to write instead of the car's own: arrays, or functions of the car's channel and of rpm.
            until_rpm: The driver lifts here.
        """
        with Session.open(self.folder) as session:
            run = session.job.settings_from_job(settings)
        pull = self.car.pull(Settings(*run), number=number)
        channels = {key: np.array(values) for key, values in pull.channels.items() if key != "map_kpa"}
        if until_rpm is not None:
            lift = channels["rpm"] > until_rpm
            first = int(np.argmax(lift))
            channels["throttle_pct"][first:] = 0.0
            falling = np.arange(lift.size - first)
            channels["rpm"][first:] = np.maximum(channels["rpm"][first] - 8.0 * falling, 1500.0)
            channels["boost_kpa"][first:] = channels["boost_kpa"][first] * np.exp(-falling / 10.0)
        for key, value in (changed or {}).items():
            channels[key] = value(channels.get(key), channels["rpm"]) if callable(value) else value
        place = self.folder / "from the logger"
        place.mkdir(exist_ok=True)
        return write_log(place / name, channels)

    def play(self, pulls: int) -> None:
        """Run a number of pulls as proposed, or fewer where nothing more is proposed."""
        with Session.open(self.folder) as session:
            for number in range(1, pulls + 1):
                step = session.next_step()
                if step.settings is None:
                    return
                session.add_pull(self.log(f"pull {number}.csv", step.settings, number))
            session.next_step()

    def _job(
        self, name: str, tolerance: float, guards: str, second: float | None, third: float | None, limit: float | None
    ) -> str:
        target = self.car.target
        highest = limit if limit is not None else _psi(self.car.limit_kpa)
        lines = [f'name = "{name}"', 'pressure = "psi"', 'notes = "98 octane, warm tyres"']
        boost = [_psi(value) for value in target.boost_kpa]
        if second is None:
            lines += self._target("target", boost, tolerance)
        else:
            lines += self._target("targets.road", [round(second * value, 1) for value in boost], tolerance)
            lines += self._target("targets.track", boost, tolerance)
            if third is not None:
                lines += self._target("targets.rain", [round(third * value, 1) for value in boost], tolerance)
        lines += ["[limit]", f"overpressure = {highest}"]
        for knob_name in KNOB_NAMES:
            knob = self.car.knobs[knob_name]
            lines.append(f"[knobs.{knob_name}]")
            if knob.fixed:
                lines.append(f"fixed = {_psi(knob.lower) if knob_name == 'engagement' else knob.lower}")
            elif knob_name == "engagement":
                lines += ["lower = 0.0", f"upper = {round(_psi(knob.upper))}.0", "resolution = 0.5", "step = 8.0"]
            else:
                lines += [f"lower = {knob.lower}", f"upper = {knob.upper}"]
                lines += [f"resolution = {knob.resolution}", f"step = {knob.step}"]
        if guards:
            lines += ["[guards]", guards]
        return "\n".join(lines) + "\n"

    def _target(self, table: str, boost: list[float], tolerance: float) -> list[str]:
        target = self.car.target
        return [
            f"[{table}]",
            f"rpm = {[float(rpm) for rpm in target.rpm]}",
            f"boost = {boost}",
            f"judge_from = {target.judge_from}",
            f"judge_to = {target.judge_to}",
            f"tolerance = {tolerance}",
        ]


def _psi(kpa: float) -> float:
    return round(float(from_kpa(kpa, "psi")), 1)


def all_faces(folder: Path) -> dict[str, Bay]:
    """Jobs that stand at their baseline, at ``repeat``, ``done``, ``out of reach`` and ``stop``."""
    bays = {
        "baseline": Bay(folder / "baseline"),
        "repeat": Bay(folder / "repeat"),
        "done": Bay(folder / "done", tolerance=7.0),
        "reach": Bay(folder / "reach", "stiff spring"),
        "stop": Bay(folder / "stop", guards="lambda = { highest = 0.86 }"),
    }
    _run(bays["repeat"], changed={"boost_kpa": lambda boost, rpm: np.where(rpm > 3500, 40.0, boost)})
    _run(bays["done"])
    _run(bays["reach"])
    _run(bays["stop"], changed={"lambda": lambda _, rpm: np.where((rpm > 5000) & (rpm < 5400), 0.93, 0.80)})
    return bays


def _run(bay: Bay, **more: Any) -> None:
    """One pull as proposed."""
    with Session.open(bay.folder) as session:
        step = session.next_step()
        with contextlib.suppress(PullRefused):
            session.add_pull(bay.log("pull 1.csv", step.settings or {}, 1, **more))
        session.next_step()
