"""Adding a pull: its log is kept, then it is put on record in one transaction, and only then acknowledged."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from models.evidence import quiet_kpa
from models.settings import Settings
from recommender import wording
from recommender.decide.allowed import idle
from recommender.decide.step import same
from recommender.job import Job
from recommender.logs import LogError
from recommender.record import PullEntry, Record, Snapshot
from recommender.record.stored import Stored
from recommender.record.trials import SPACING_RPM
from recommender.session import after_stop, dialled, held_run, history, kept
from recommender.session.again import the_new_pull, told_higher
from recommender.session.outside import outside_facts
from recommender.session.pull_facts import facts_of, full_curve, measured
from recommender.session.pull_log import LoggedPull, NoPull, pulls_in, the_pull
from recommender.session.too_low import like_less, too_low

Clock = Callable[[], datetime.datetime]

_SETTLE: Final = (
    "Find the cause before anything is run again; the next settings are given once that is acknowledged "
    "(acknowledge 0)."
)


class PullRefused(LogError):
    """A log without a pull that can be relied on. It is noted on record; the pull has to be repeated."""


def add_pull(
    record: Record,
    job: Job,
    path: Path,
    given: Mapping[str, float],
    *,
    assumed: Mapping[str, float] | None,
    which: int | None,
    foreign: bool,
    force: bool,
    target: str | None,
    clock: Clock,
) -> int:
    """Take a log and put the pull in it on record.

    Args:
        record: The record, held by nobody.
        job: The job.
        path: The log.
        given: Settings that the user gives, in the project's units.
        assumed: What fills what ``given`` leaves out; None for what was last proposed.
        which, foreign, force, target: As in ``Session.add_pull``.
        clock: Gives the time.
    Returns:
        Number of the pull.
    Raises:
        LogError, PullRefused, SettingsError: see ``Session.add_pull``.
    """
    try:
        found, content = _found(record, job, path, which, clock(), force=force)
    except NoPull as none:
        _note_no_pull(record, job, path, none, given, assumed or {}, target, clock(), foreign=foreign)
        raise
    sha256 = hashlib.sha256(content).hexdigest()
    with record.writing():
        snapshot = record.read()
        if not force:
            history.refuse_twice(snapshot, sha256, found.which, path.name)
        told = dict(given)
        before = None if foreign or assumed is not None else _brought_before(snapshot, sha256, found.which)
        stop = _nothing_proposed(snapshot, job, target, foreign=foreign)
        if found.held:
            told = _turned_by_hand(job, found.held[-1].duty) | told
            assumed = assumed if stop else _begun_like(snapshot, job, target) or assumed
        handed_out = history.latest(snapshot, job)
        if before is not None:
            handed_out = _handed_out_then(snapshot, before, target)
            run = _as_then(snapshot, job, told, before, handed_out)
        elif stop is None and assumed is None:
            run = _completed(snapshot, job, told, target)
            _ask_where_unlike(snapshot, job, told, run, found, path.name)
        else:
            run = _as_shown(snapshot, job, told, assumed or {}, target, stop)
        least_gain = job.dials["gain"].knob.lower
        quiet = quiet_kpa([pull.observation() for pull in snapshot.standing], run, least_gain)
        measures, by_target = measured(found, job, quiet)
        unlike = "" if found.held else dialled.unlike_logged(run, found.trace)
        first = int(bool(found.outside))  # boost above the limit is told before all else
        told_first, rest = found.warnings[:first], found.warnings[first:]
        found = replace(found, warnings=(*told_first, unlike, *rest)) if unlike else found
        elsewhere = kept.brought_elsewhere(record, snapshot.standing)
        found = replace(found, warnings=(*found.warnings, elsewhere)) if elsewhere else found
        low = too_low(job.problem(), snapshot.standing, run, found)
        found = replace(found, refused=(*found.refused, low)) if low else found
        facts = facts_of(found, job, measures, by_target, quiet)
        facts |= outside_facts(snapshot, found)
        facts |= _kept(record, path, content, sha256)
        if found.refused:
            _note_refusal(record, job, found, facts, run, len(snapshot.pulls), clock())
        number = max((pull.number for pull in snapshot.pulls), default=0) + 1
        source, step = history.source_of(snapshot, job, run, handed_out, foreign, target)
        entry = PullEntry(number, run, source, step, full_curve(found, job), facts, clock())
        record.add_pull(entry, job=job, deviation_kpa=measures.deviation_kpa, trace=found.trace)
        record.keep_not_run(record.read(), job)
    return number


def _kept(record: Record, path: Path, content: bytes, sha256: str) -> dict[str, str]:
    """Name and fingerprint of a log, which is kept as it was brought."""
    artifact = record.logs.keep(content, path.suffix)
    return {"log": wording.writable(path.name), "sha256": sha256, "artifact": artifact}


def _nothing_proposed(snapshot: Snapshot, job: Job, target: str | None, *, foreign: bool) -> after_stop.Stopped | None:
    """That nothing is proposed for a pull, after a stop or since it was made without the tool; None where it is not."""
    stop = after_stop.stopped(snapshot, job, target)
    return after_stop.made_without(stop) if foreign else stop


def _brought_before(snapshot: Snapshot, sha256: str, which: int) -> PullEntry | None:
    """The pull that this very log was when last withdrawn; None where it was none, or nothing was proposed yet."""
    pulls = [pull for pull in snapshot.pulls if (pull.facts["sha256"], pull.facts["which"]) == (sha256, which)]
    return pulls[-1] if snapshot.steps and pulls and pulls[-1].withdrawn is not None else None


def _handed_out_then(snapshot: Snapshot, before: PullEntry, target: str | None) -> list[Stored]:
    """The step that stood when a pull was run; that of a target where it is named and had one then; else none."""
    own = snapshot.steps.get(before.step or 0)
    if own is None:
        return []
    then = [step for _, step in sorted(snapshot.steps.items()) if step["after"] == own["after"]]
    return [step for step in then if step["target"] == target][-1:] or [own]


def _as_then(
    snapshot: Snapshot, job: Job, given: Mapping[str, float], before: PullEntry, handed_out: Sequence[Stored]
) -> Settings:
    """All six settings of a pull whose log is brought again, since it was withdrawn: those given, the others as they
    were proposed for it, not as they are proposed now.

    Raises:
        SettingsError: see ``dialled.completed``; or nothing was proposed for it, and one is left out that raises boost.
    """
    if before.facts.get("held"):
        return dialled.completed(job, given, before.settings)
    then = history.dialled_after(snapshot, handed_out[0]) if handed_out else None
    if then is None:
        return after_stop.completed(job, job.problem(), given, after_stop.brought_again(before.number))
    return dialled.completed(job, given, then)


def last_dialled(snapshot: Snapshot, job: Job, target: str | None = None) -> Settings:
    """Settings last proposed, for a target where it is named, or last run where that came later; else the baseline."""
    settings = history.last_dialled(snapshot, job, target)
    return idle(job.problem(seed=snapshot.seed)) if settings is None else settings


def _completed(snapshot: Snapshot, job: Job, given: Mapping[str, float], target: str | None) -> Settings:
    """All six settings of a pull: those given, the others as proposed.

    Raises:
        SettingsError: steps for several targets stand, and which of them was run cannot be told.
    """
    run = dialled.completed(job, given, last_dialled(snapshot, job, target))
    standing = [step for step in history.standing_steps(snapshot, job) if history.runs(step)]
    if any(step["target"] == target for step in standing):
        return run
    meant = [dialled.completed(job, given, history.dialled_after(snapshot, step) or run) for step in standing]
    if all(same(each, run) for each in meant):
        return run
    listed = " and ".join(f'step {step["number"]} for the target "{step["target"]}"' for step in standing[::-1])
    named = " or ".join(f"--target {step['target']}" for step in standing[::-1])
    raise dialled.SettingsError(
        f"which settings were run cannot be told: {listed} stand, with different ones. Name the target whose step was "
        f"run ({named}), or give the settings."
    )


def _ask_where_unlike(
    snapshot: Snapshot, job: Job, told: Mapping[str, float], run: Settings, found: LoggedPull, name: str
) -> None:
    """Raise SettingsError where duty was left out, and the pull reads as if less had been dialled in than proposed."""
    text = "" if "duty" in told else like_less(job.problem(), snapshot.standing, run, found)
    if text:
        raise dialled.SettingsError(
            f"{name}: {text} Nothing was added: bring it with what was dialled in (--duty …, or the fields on the "
            f"page), {wording.knob_number(run.duty)} % too if it was that."
        )


def _as_shown(
    snapshot: Snapshot,
    job: Job,
    given: Mapping[str, float],
    assumed: Mapping[str, float],
    target: str | None,
    stop: after_stop.Stopped | None,
) -> Settings:
    """All six settings of a pull: those given, else as assumed, else as last dialled; nothing that was dialled before
    a stop is taken for granted after it.

    Raises:
        SettingsError: see ``dialled.completed`` and ``after_stop.completed``.
    """
    if stop is not None:
        return after_stop.completed(job, job.problem(target), {**assumed, **given}, stop)
    last = last_dialled(snapshot, job, target).as_dict()
    return dialled.completed(job, given, Settings(**(last | dict(assumed))))


def _turned_by_hand(job: Job, duty: float) -> dict[str, float]:
    """What a run at held rpm ended with: the last duty of its log, which holds what a ramp adds."""
    return {"duty": duty} | ({} if job.dials["ramp_add"].fixed else {"ramp_add": 0.0})


def _begun_like(snapshot: Snapshot, job: Job, target: str | None) -> dict[str, float] | None:
    """What a run at held rpm was dialled in with, as it was advised; None where none was, or other settings are on
    record as dialled in."""
    advised = held_run.worth_making(job.problem(target), snapshot.standing)
    corrected = any(history.put_right(snapshot, int(step["number"])) for step in history.latest(snapshot, job))
    return None if advised is None or corrected else advised.settings.as_dict()


def _found(
    record: Record, job: Job, path: Path, which: int | None, now: datetime.datetime, *, force: bool
) -> tuple[LoggedPull, bytes]:
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise LogError(f"{path}: no such file. Name the log as the logger wrote it.") from None
    except OSError as error:
        raise LogError(f"{path}: cannot be read: {error.strerror}.") from None
    known = record.read().standing
    found = pulls_in(path, job, known, now)
    pull = the_pull(found, which, path.name) if force else the_new_pull(found, known, which, path.name)
    if which is None:
        pull = told_higher(pull, found, known, job)
    return _within_target(pull, job), content


def _within_target(pull: LoggedPull, job: Job) -> LoggedPull:
    """The pull, refused where it lies outside the rpm of every target: there is nothing to measure then."""
    low, high = float(pull.trace.rpm.min()), float(pull.trace.rpm.max())
    grids = [each.target.grid(SPACING_RPM) for each in job.targets.values()]
    if any(low <= grid[-1] and high >= grid[0] + 2 * SPACING_RPM for grid in grids):
        return pull
    first, last = min(grid[0] for grid in grids), max(grid[-1] for grid in grids)
    why = (
        f"The pull covers {low:.0f} to {high:.0f} rpm and the target {first:.0f} to {last:.0f}: there is nothing to "
        "measure. If it was lifted early, find out why first."
    )
    return replace(pull, refused=(*pull.refused, why))


def _note_refusal(
    record: Record,
    job: Job,
    pull: LoggedPull,
    facts: Mapping[str, Any],
    run: Settings,
    after: int,
    now: datetime.datetime,
) -> None:
    """Note a refused pull and say so.

    Raises:
        PullRefused: always.
    """
    top = int(np.argmax(pull.trace.boost_kpa))
    own = (float(facts["peak_kpa"]), float(pull.trace.time_s[top]))
    peak_kpa, peak_s = max([own, *((each.peak_kpa, each.peak_s) for each in pull.outside)])
    _note(record, facts, list(pull.refused), run, after, now, peak_kpa, peak_s)
    end = "Put right what is wrong and run the same settings again."
    if peak_kpa > job.limit_kpa:
        stood = job.problem().say_past(peak_kpa, job.limit_kpa)
        limit = job.problem().say(job.limit_kpa)
        end = f"It shows {stood} at {peak_s:.1f} s, above the overpressure limit of {limit}. {_SETTLE}"
    raise PullRefused(
        f"{facts['log']}: refused: {' '.join(pull.refused)} Noted on record, not counted as a pull. {end}"
    )


def _note_no_pull(
    record: Record,
    job: Job,
    path: Path,
    none: NoPull,
    given: Mapping[str, float],
    assumed: Mapping[str, float],
    target: str | None,
    now: datetime.datetime,
    *,
    foreign: bool,
) -> None:
    """Note a log without a pull where it shows boost above the limit, and say so.

    Raises:
        PullRefused: it does.
        SettingsError: see ``_as_shown``.
    """
    if none.peak_kpa <= job.limit_kpa:
        return
    content = path.read_bytes()
    sha256 = hashlib.sha256(content).hexdigest()
    why = f"{none.why[:1].upper()}{none.why[1:]}"
    with record.writing():
        snapshot = record.read()
        if any(event["sha256"] == sha256 and event["peak_kpa"] > job.limit_kpa for event in snapshot.refused):
            raise PullRefused(f"{none} Noted on record already, when this very log was brought before.") from none
        stop = _nothing_proposed(snapshot, job, target, foreign=foreign)
        try:
            run = _as_shown(snapshot, job, given, assumed, target, stop)
        except dialled.SettingsError as error:
            raise dialled.SettingsError(f"{none} Not noted yet. {error}") from none
        log = _kept(record, path, content, sha256)
        _note(record, log, [why], run, len(snapshot.pulls), now, none.peak_kpa, none.peak_s)
    raise PullRefused(f"{none} Noted on record, not counted as a pull. {_SETTLE}") from none


def _note(
    record: Record,
    facts: Mapping[str, Any],
    why: list[str],
    run: Settings,
    after: int,
    now: datetime.datetime,
    peak_kpa: float,
    peak_s: float,
) -> None:
    """The entry of a refused log: its name and fingerprint, why, what was dialled in, and its highest boost."""
    record.add_event(
        {
            "kind": "pull refused",
            "when": now.isoformat(timespec="seconds"),
            "log": facts["log"],
            "after": after,
            "why": why,
            "settings": list(run),
            "peak_kpa": peak_kpa,
            "peak_s": peak_s,
            "sha256": facts["sha256"],
            "artifact": facts["artifact"],
        }
    )
