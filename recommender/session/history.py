"""Reading a snapshot of the record: what stands, what it was made from, what holds the job up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from models.evidence import Observation
from models.settings import Settings
from recommender.decide.allowed import asks_as_much, idle_like, kept_limit
from recommender.decide.step import Decision, Problem, same
from recommender.job import Job
from recommender.logs import LogError
from recommender.record import PullEntry, Snapshot
from recommender.record.stored import Stored, decision_in, digest, problem_out
from recommender.record.trials import SPACING_RPM
from recommender.session.answers import PullResult
from recommender.session.outside import passed_outside, told_outside
from recommender.session.pull_log import GuardHit

#: What to do about a log that is on record already.
BRING_THE_NEW: Final = "Bring the log of the new pull"


@dataclass(frozen=True)
class Stop:
    """Something that holds the job up until the tuner has acknowledged it.

    Attributes:
        pull: Its pull; 0 for a refused log.
        text: What happened, as a sentence.
        code: ``guard``, ``limit outside the pull`` or ``limit in refused log``.
    """

    pull: int
    text: str
    code: str


@dataclass(frozen=True)
class Trust:
    """How often the predictions held.

    Attributes:
        predicted: Pulls that were run as proposed.
        hits: Those of them in which band and peak held.
        points: Share of all points of their curves inside the 90 % band. [-], NaN before there is one
    """

    predicted: int
    hits: int
    points: float


def observations(snapshot: Snapshot, problem: Problem) -> list[Observation]:
    """Standing pulls as the decision takes them, on the target's grid."""
    return [each for pull in snapshot.standing for each in pull.evidence(problem)]


def basis(snapshot: Snapshot, problem: Problem) -> str:
    """Mark of all that a step depends on: while it stays the same, so does the step."""
    refused = [event["sha256"] for event in _refused_since_last_pull(snapshot)]
    known = [event["pull"] for event in snapshot.acknowledged]
    return digest([digest(problem_out(problem)), [pull.number for pull in snapshot.standing], refused, known])


def standing_step(snapshot: Snapshot, target: str, mark: str) -> Stored | None:
    """The step on record for a target and a basis; None where there is none yet."""
    for _, step in sorted(snapshot.steps.items(), reverse=True):
        if step["target"] == target and step["basis"] == mark:
            return step
    return None


def made_from(snapshot: Snapshot, step: Stored) -> tuple[PullEntry, ...]:
    """Pulls that a step was made from."""
    used = set(step["observations"])
    return tuple(pull for pull in snapshot.pulls if pull.number in used)


def standing_steps(snapshot: Snapshot, job: Job) -> list[Stored]:
    """The step with settings that stands for each of the job's targets: those to run first, the latest first."""
    marks = {name: basis(snapshot, job.problem(name, seed=snapshot.seed)) for name in job.targets}
    steps = [standing_step(snapshot, name, mark) for name, mark in marks.items()]
    found = [step for step in steps if step is not None and handed_out(snapshot, step) is not None]
    return sorted(found, key=lambda step: (runs(step), int(step["number"])), reverse=True)


def latest(snapshot: Snapshot, job: Job) -> list[Stored]:
    """Steps with settings that were handed out for the pull to come, those last handed out first.

    First the steps that stand now, an older one among them that stands again since a pull was withdrawn; then the
    others that were made after the last pull.
    """
    standing = standing_steps(snapshot, job)
    count, known = len(snapshot.pulls), {step["number"] for step in standing}
    steps = [step for _, step in sorted(snapshot.steps.items(), reverse=True) if step["number"] not in known]
    return standing + [step for step in steps if step["after"] == count and handed_out(snapshot, step) is not None]


def last_dialled(snapshot: Snapshot, job: Job, target: str | None = None) -> Settings | None:
    """Settings last proposed, as put right where they were; or last run where that came later; None for neither.

    Args:
        snapshot: The record.
        job: The job.
        target: Name of the target that they were proposed for, where it is known and has any to run; else of any.
    """
    steps = latest(snapshot, job)
    to_run = [step for step in steps if runs(step)] or steps
    step = next((step for step in to_run if step["target"] == target), to_run[0] if to_run else None)
    if step is not None:
        return dialled_after(snapshot, step)
    return snapshot.standing[-1].settings if snapshot.standing else None


def dialled_after(snapshot: Snapshot, step: Stored) -> Settings | None:
    """What is taken to be dialled in after a step: what it says, as put right where it was; None where nothing is."""
    return put_right(snapshot, int(step["number"])) or handed_out(snapshot, step)


def put_right(snapshot: Snapshot, number: int) -> Settings | None:
    """What was last said to be dialled in for the pull after a step; None where nothing was, and the step stands."""
    said = [event for event in snapshot.events if event["kind"] == "dialled in" and event["step"] == number]
    return Settings.from_array(said[-1]["settings"]) if said else None


def source_of(
    snapshot: Snapshot, job: Job, run: Settings, before: Sequence[Stored], foreign: bool, target: str | None = None
) -> tuple[str, int | None]:
    """Where a pull's settings come from, and the step that stood when it was run.

    Args:
        snapshot: The record.
        job: The job.
        run: What was dialled in.
        before: Steps that stood, latest first.
        foreign: The user says that the pull was made without the tool.
        target: Name of the target whose step was run, where it is known: that step comes before all others.
    """
    if foreign or not before:
        return "foreign", None
    own_first = sorted(before, key=lambda step: bool(step["target"] != target))
    for step in own_first:
        wanted = handed_out(snapshot, step)
        if wanted is not None and same(job.at_rest(wanted), job.at_rest(run)):
            return "proposed", int(step["number"])
    return "changed", int(own_first[0]["number"])


def refuse_twice(snapshot: Snapshot, sha256: str, which: int, name: str) -> None:
    """Raise LogError where a log is on record already as a pull that stands."""
    for pull in snapshot.standing:
        if pull.facts["sha256"] == sha256 and pull.facts["which"] == which:
            raise twice(name, str(pull.number), BRING_THE_NEW)


def twice(where: str, numbers: str, advice: str) -> LogError:
    """That a log is on record already, as pulls of these numbers, and what to do."""
    return LogError(
        f"{where}: this very log is on record already, as pull {numbers}. {advice}; to count it twice all the same, "
        "add it with --force."
    )


def override(snapshot: Snapshot, problem: Problem, decision: Decision) -> Stored | None:
    """What guards, refused logs and boost outside the pulls make of a decision; None where they leave it as it is.

    Of a step that is ``withheld`` nothing is shown; steps of older records, without that word, show what they showed.
    Where the settings that stand are to be run ``again``, the step has them as its own.
    """
    stops = open_stops(snapshot, problem)
    if stops:
        listed = ", ".join(dict.fromkeys(f"pull {stop.pull}" if stop.pull else "0, the refused log" for stop in stops))
        reasons = [[stop.code, stop.text] for stop in stops]
        reasons.append(
            [
                "acknowledge",
                "Find the cause and put it right; the next settings are given once that is acknowledged (acknowledge "
                f"{listed}).",
            ]
        )
        return {"verdict": "stop", "runs": False, "withheld": True, "reasons": reasons}
    past = _goes_past(snapshot, problem, decision)
    unproven = _guard_unproven(snapshot, problem, decision)
    if unproven:
        reasons = [past, unproven] if past else [unproven]
        return {"verdict": "repeat", "runs": True, "again": True, "reasons": reasons}
    if past:
        return {"verdict": decision.verdict, "runs": True, "reasons": [past]}
    refused = _refused_since_last_pull(snapshot)
    if refused and decision.settings is not None:
        last = refused[-1]
        again = same(Settings.from_array(last["settings"]), decision.settings)
        end = "Run these settings again." if again else "It was run with other settings than these; the step stands."
        text = f"The log {last['log']} was refused: {' '.join(last['why'])} {end}"
        return {
            "verdict": "repeat" if again else decision.verdict,
            "runs": True,
            "reasons": [["log refused", text]],
        }
    return None


def _guard_unproven(snapshot: Snapshot, problem: Problem, decision: Decision) -> list[str] | None:
    """Code and sentence where settings would end the job that ask for as much as a pull which passed a guard, and no
    pull since has asked for as much and passed none; else None. That the cause was put right is only said so far."""
    asked = asked_for(snapshot, decision)
    if asked is None or decision.settings is not None:
        return None
    clean: list[PullEntry] = []
    for pull in reversed(snapshot.standing):
        hits = pull.facts["guards"]
        if pull.sound and not hits:
            clean.append(pull)
        proven = any(asks_as_much(problem, each.settings, pull.settings) for each in clean)
        if hits and not proven and asks_as_much(problem, asked, pull.settings):
            text = (
                f"Pull {pull.number} passed a guard, {GuardHit(**hits[0]).words()}, and no pull that asks for as "
                "much has shown since that the cause is gone: before the job ends, the settings that stand are run "
                "once more."
            )
            return ["guard unproven", text]
    return None


@dataclass(frozen=True)
class _Passed:
    """Boost above the limit of which no observation tells: in a refused log, or outside the pull in its log.

    Attributes:
        code, where: For programs, and as the beginning of a sentence.
        peak_kpa: How high. [kPa gauge]
        run: Settings that stood.
        after: Number of the last pull that had been run by then.
        pull: The pull of that log; 0 for a refused one.
    """

    code: str
    where: str
    peak_kpa: float
    run: Settings
    after: int
    pull: int = 0


def _goes_past(snapshot: Snapshot, problem: Problem, decision: Decision) -> list[str] | None:
    """Code and sentence where a decision goes past settings whose log showed boost above the limit; else None.

    The decision knows nothing of a log that was refused, nor of what stood outside a pull, until a later pull that
    asks for as much has kept the limit. The very settings may be run again, now that the cause was acknowledged, and
    so may the baseline, under which nothing can be dialled.
    """
    asked = asked_for(snapshot, decision)
    if asked is None or idle_like(problem, asked):
        return None
    kept = _kept(snapshot, problem)
    clean = [pull for pull in kept if not passed_outside(pull, problem)]
    high = [
        each
        for each in [*_in_refused(snapshot, problem), *_outside(snapshot, problem)]
        if not any(pull.number > each.after and asks_as_much(problem, pull.settings, each.run) for pull in clean)
    ]
    passed = [each for each in high if not same(asked, each.run) and asks_as_much(problem, asked, each.run)]
    if not passed:
        return None
    top = max(passed, key=lambda each: each.peak_kpa)
    less = [pull for pull in kept if not any(asks_as_much(problem, pull.settings, each.run) for each in high)]
    first = f"the settings of pull {less[-1].number}" if less else "the baseline"
    if any(pull.number > top.after for pull in less):  # what asks for less has held since: now these
        first = f"the settings of pull {top.pull}" if top.pull else "those"
    text = (
        f"{top.where} {problem.say(top.peak_kpa)}, and what comes next asks for at least as much boost as its "
        f"settings. Unless it is certain that the gauge was wrong, run {first} again first: that tells whether boost "
        "and gauge are as they were."
    )
    return [top.code, text]


def _kept(snapshot: Snapshot, problem: Problem) -> list[PullEntry]:
    """Standing pulls that kept the limit."""
    grid = problem.target.grid(SPACING_RPM)
    return [pull for pull in snapshot.standing if kept_limit(problem, pull.observation(grid, problem.target))]


def _in_refused(snapshot: Snapshot, problem: Problem) -> list[_Passed]:
    """Refused logs that passed the limit."""
    return [
        _Passed(
            "limit in refused log",
            f"The refused log {event['log']} showed",
            float(event["peak_kpa"]),
            Settings.from_array(event["settings"]),
            int(event["after"]),
        )
        for event in snapshot.refused
        if event["peak_kpa"] > problem.limit_kpa
    ]


def _outside(snapshot: Snapshot, problem: Problem) -> list[_Passed]:
    """Pulls outside which their log passed the limit."""
    return [
        _Passed(
            "limit outside the pull",
            f"The log of pull {pull.number} showed, outside that pull,",
            float(pull.facts["outside"]["peak_kpa"]),
            pull.settings,
            pull.number,
            pull.number,
        )
        for pull in snapshot.standing
        if passed_outside(pull, problem)
    ]


def open_stops(snapshot: Snapshot, problem: Problem) -> list[Stop]:
    """What waits to be acknowledged, first things first."""
    known = {event["pull"] for event in snapshot.acknowledged}
    stops = [
        Stop(pull.number, f"Pull {pull.number}: {GuardHit(**hit).words()}.", "guard")
        for pull in snapshot.standing
        if pull.number not in known
        for hit in pull.facts["guards"]
    ]
    stops += [
        Stop(pull.number, text, code)
        for pull in snapshot.standing
        if pull.number not in known
        for code, text in told_outside(pull, problem)
    ]
    # Older records note the refusals with every acknowledgement: what was settled with them stays settled.
    seen = max((event.get("refusals", 0) for event in snapshot.acknowledged), default=0)
    for event in snapshot.refused[seen:]:
        if event["peak_kpa"] > problem.limit_kpa:
            text = (
                f"The refused log {event['log']} shows {problem.say_past(event['peak_kpa'], problem.limit_kpa)}, above "
                f"the overpressure limit of {problem.say(problem.limit_kpa)}. Whether or not the gauge is right, that "
                "has to be settled first."
            )
            stops.append(Stop(0, text, "limit in refused log"))
    return stops


def refusals(snapshot: Snapshot) -> int:
    """How many pulls were refused so far."""
    return len(snapshot.refused)


def trust(pulls: Sequence[PullResult]) -> Trust:
    """Count hits over pulls."""
    judged = [pull for pull in pulls if pull.hit is not None]
    points = [pull.held for pull in judged if not math.isnan(pull.held)]
    share = sum(points) / len(points) if points else float("nan")
    return Trust(len(judged), sum(bool(pull.hit) for pull in judged), share)


def handed_out(snapshot: Snapshot, step: Stored) -> Settings | None:
    """The settings that a step says to run, or that stand where it ends the job; None where there are neither."""
    override_ = step.get("override")
    return None if override_ and not override_["runs"] else asked_for(snapshot, decision_in(step["decision"]))


def asked_for(snapshot: Snapshot, decision: Decision) -> Settings | None:
    """The same of a decision, before guards and refused logs are looked at."""
    if decision.settings is not None or decision.verdict == "stop" or not decision.best_number:
        return decision.settings
    return snapshot.pull(decision.best_number).settings


def runs(step: Stored) -> bool:
    """Whether a step has settings to run, and is no end of the job at which others stand."""
    return step["decision"]["settings"] is not None or bool((step.get("override") or {}).get("again"))


def _refused_since_last_pull(snapshot: Snapshot) -> list[Stored]:
    count = len(snapshot.pulls)
    return [event for event in snapshot.refused if event["after"] == count]
