"""The job file: what is wanted, what must not be passed, and which knobs there are to get there."""

from __future__ import annotations

import hashlib
import shlex
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from models.settings import KNOB_NAMES, Settings
from recommender.decide.step import Problem, at_rest
from recommender.job import checks, schema
from recommender.job.checks import TargetWanted
from recommender.job.dials import Dial, held
from recommender.job.knob_checks import Fault
from recommender.job.toml_lines import KeyPath, key_lines, line_of


class JobError(ValueError):
    """The job file is at fault. ``faults`` holds one sentence for each."""

    def __init__(self, *faults: str) -> None:
        self.faults = tuple(visible(each) for each in faults)
        super().__init__("\n".join(self.faults))


@dataclass(frozen=True)
class Job:
    """A checked job file. Pressures without a unit in their name are in ``pressure_unit``, gauge.

    Attributes:
        path: The file.
        name: Car or job, as the user calls it.
        pressure_unit: psi, kPa or bar.
        targets: Boost wanted, by target name; a lone ``[target]`` is called ``target``.
        limit: Overpressure limit. [job's unit, gauge]
        limit_is_default: True where the file gives none and 3 psi above the highest target is used.
        risk: Highest probability of passing the limit that a proposal may have. [-]
        dials: The six knobs by name, in the order of ``KNOB_NAMES``.
        channels: Columns of the log by what they are, and what is known of the gauge.
        guards: Bounds (``highest``, ``lowest``) by channel, in the log's own unit.
        log: Options of the pull finder.
        notes: Free text of the user.
        storage: URL of the record where it is not kept beside the job file.
        study: Name of the job in its record.
        remarks: What the tool assumed because the file does not say.
    """

    path: Path
    name: str
    pressure_unit: str
    targets: Mapping[str, TargetWanted]
    limit: float
    limit_is_default: bool
    risk: float
    dials: Mapping[str, Dial]
    channels: Mapping[str, Any] = field(default_factory=dict)
    guards: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    log: Mapping[str, Any] = field(default_factory=dict)
    notes: str = ""
    storage: str | None = None
    study: str = ""
    remarks: tuple[str, ...] = ()

    @classmethod
    def load(cls, path: str | Path) -> Job:
        """Read and check a job file.

        Args:
            path: The file, or a folder that holds ``job.toml`` or one single ``.toml`` file.
        Raises:
            JobError: with file, line, value, what is allowed and what to change, for every fault found.
        """
        file = find_job_file(Path(path)).absolute()
        text = _text_of(file)
        try:
            raw = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            place, what = _place_of(error)
            raise JobError(
                f"{file.name}, {place}: not sound TOML: {what}. Text needs quotes, numbers a point for decimals, lists "
                "square brackets; `nextpull new FOLDER` writes a file to compare with."
            ) from None
        try:
            parsed = schema.JobFile.model_validate(raw)
        except ValidationError as error:
            faults = [Fault(*each) for each in schema.explain(error)]
            raise _job_error(file, text, faults) from None
        with np.errstate(over="ignore"):  # a number out of all bounds is told as such
            checked = checks.check(parsed)
        if isinstance(checked, list):
            raise _job_error(file, text, checked)
        return cls(path=file, **checked)

    def text_mark(self) -> str:
        """Changes with the file's content; "" while it cannot be read."""
        try:
            return hashlib.sha256(self.path.read_bytes()).hexdigest()
        except OSError:
            return ""

    @property
    def folder(self) -> Path:
        return self.path.parent

    def beside(self, name: str) -> Path:
        """Where a file that belongs to the job is kept: ``NAME`` beside ``job.toml``, ``STEM.NAME`` beside another."""
        return self.folder / (name if self.path.name == "job.toml" else f"{self.path.stem}.{name}")

    @property
    def first_target(self) -> str:
        """Name of the first target in the file: the one meant where none is named."""
        return next(iter(self.targets))

    @property
    def limit_kpa(self) -> float:
        """Overpressure limit. [kPa gauge]"""
        return held(checks.to_kpa(self.limit, self.pressure_unit))

    def wanted(self, target: str | None = None) -> TargetWanted:
        """A target by name; the first where none is named.

        Raises:
            JobError: the job has no target of that name.
        """
        name = target or self.first_target
        if name not in self.targets:
            near = schema.nearest(name, list(self.targets))
            raise JobError(f'{self.path.name}: no target "{name}".{near} The job has: {", ".join(self.targets)}.')
        return self.targets[name]

    def problem(self, target: str | None = None, *, seed: int | None = None) -> Problem:
        """What the decision needs of this job, in kPa gauge.

        Args:
            target: Name of a target; the first where none is named.
            seed: Seed that the record holds; from the job's name where there is no record yet.
        """
        wanted = self.wanted(target)
        base = seed if seed is not None else seed_of(self.name)
        return Problem(
            target=wanted.target,
            limit_kpa=self.limit_kpa,
            risk=self.risk,
            tolerance_kpa=wanted.tolerance_kpa,
            knobs={name: self.dials[name].knob for name in KNOB_NAMES},
            pressure_unit=self.pressure_unit,
            seed=base if wanted.name == self.first_target else seed_of(f"{base} {wanted.name}"),
        )

    def at_rest(self, settings: Settings) -> Settings:
        """Settings with the ends of a ramp that the controller lacks where the job file has them stand now."""
        return at_rest({name: dial.knob for name, dial in self.dials.items()}, settings)

    def settings_to_job(self, settings: Settings) -> dict[str, float]:
        """Settings as they are dialled, pressure in the job's unit."""
        stand = self.at_rest(settings).as_dict()
        return {name: self.dials[name].to_job(value) for name, value in stand.items()}

    def lacking(self, *settings: Mapping[str, float]) -> frozenset[str]:
        """Knobs that the controller lacks and that need not be shown beside settings in the job's units. One that was
        run with another value than the job file takes for granted is there all the same."""
        return frozenset(
            name
            for name, dial in self.dials.items()
            if dial.absent and all(dial.on_dial(each[name]) for each in settings if name in each)
        )

    def settings_from_job(self, values: Mapping[str, float]) -> Settings:
        """All six settings given in the job's unit, as the project keeps them."""
        return Settings(**{name: self.dials[name].from_job(float(values[name])) for name in KNOB_NAMES})


def visible(text: str) -> str:
    """Text in which nothing steers the terminal: control signs are written out, ``\\x1b`` for an escape."""
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


def seed_of(text: str) -> int:
    """A seed from a name: the same on every machine. 0 to 2**31 - 1"""
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big") >> 1


def find_job_file(path: Path) -> Path:
    """The job file at a path: the file itself, or the one in a folder.

    Raises:
        JobError: there is none, or there are several and none is called ``job.toml``.
    """
    if path.is_file():
        return path
    if not path.is_dir():
        raise JobError(f"{path}: no such job file or folder. `nextpull new {shlex.quote(str(path))}` makes one.")
    if (path / "job.toml").is_file():
        return path / "job.toml"
    found = sorted(path.glob("*.toml"))
    if len(found) == 1:
        return found[0]
    if not found:
        raise JobError(f"{path}: holds no job file. `nextpull new {path}` writes job.toml there.")
    raise JobError(f"{path}: holds {', '.join(each.name for each in found)}, and none is job.toml. Name the one meant.")


def _text_of(file: Path) -> str:
    try:
        return file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = file.read_bytes()[: error.start].count(b"\n") + 1
        raise JobError(
            f"{file.name}, line {line}: byte {error.object[error.start]:#04x} is not UTF-8. "
            "Save the file as UTF-8 in the editor."
        ) from None
    except OSError as error:
        raise JobError(f"{file}: cannot be read: {error.strerror}.") from None


def _place_of(error: tomllib.TOMLDecodeError) -> tuple[str, str]:
    """Line and column of a TOML error, and what it says besides."""
    what, _, place = str(error).partition(" (at ")
    return (place.rstrip(")") if place.startswith("line") else "line 1" if not place else "last line"), what


def _job_error(file: Path, text: str, faults: list[Fault]) -> JobError:
    lines = key_lines(text)
    sentences = []
    for fault in sorted(faults, key=lambda each: line_of(lines, each.path)):
        shown = "" if fault.found is None or isinstance(fault.found, dict) else f" = {_shown(fault.found)}"
        sentences.append(f"{file.name}, line {line_of(lines, fault.path)}: {_name_of(fault.path)}{shown} {fault.words}")
    return JobError(*sentences)


def _name_of(path: KeyPath) -> str:
    """A key as a user would say it: ``target.boost, value 2``."""
    *table, last = path
    return f"{'.'.join(table)}, value {int(last) + 1}" if last.isdigit() else ".".join(path)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.12g}"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "…"
