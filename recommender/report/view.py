"""What the hand-over sheet says, gathered from a session and worded."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from recommender import figures, wording
from recommender.figures.svg import svg

if TYPE_CHECKING:
    from recommender.session import Job, LogFault, PullResult, Session, Step

#: What to watch after the car has left, whatever the job.
WATCH: Final = (
    "Boost on the first drives in cold air: cold, dense air can bring more than the dyno did.",
    "Knock, exhaust temperature and fuelling at full load, with the fuel that the car will really get.",
    "Hoses, clamps and actuator after a hundred kilometres: a hose that slips off can mean full boost.",
    "After a change of turbo, exhaust, spring, solenoid or fuel these settings no longer stand: begin at a baseline.",
)
#: The pull that a sentence on a change names first.
_PULL: Final = re.compile(r"\bpulls? (?:before )?(\d+)", re.IGNORECASE)
_CONDITIONS: Final[Mapping[str, tuple[str, str]]] = {
    "barometer_kpa": ("Barometer", "kPa absolute"),
    "intake_c": ("Intake air", "°C"),
    "coolant_c": ("Coolant", "°C"),
}


def sheet(session: Session, now: datetime.datetime) -> dict[str, Any]:
    """Values for the sheet's template.

    Args:
        session: The job.
        now: Date of the sheet.
    """
    job = session.job
    pulls = session.pulls(withdrawn=True)
    standing = [pull for pull in pulls if pull.withdrawn is None]
    steps = {step.number: step for step in session.steps()}
    trust = session.trust()
    targets = [_target(session, name, standing) for name in job.targets]
    measured = [pull for name in job.targets for pull in session.pulls(name, withdrawn=True)]
    changed = {pull.number for pull in measured if _target_changed(pull, steps)}
    faults = {fault.pull: fault for fault in session.log_faults()}
    return {
        "say": wording,
        "job": job,
        "unit": job.pressure_unit,
        "made": now.strftime("%Y-%m-%d %H:%M"),
        "targets": targets,
        "limits_then": _limits_then(job, standing),
        "noticed": noticed([target["step"] for target in targets]),
        "conditions": _conditions_said(standing),
        "dates": _dates(pulls),
        "pulls": [
            _row(job, pull, steps.get(pull.step or 0), faults.get(pull.number), changed=pull.number in changed)
            for pull in pulls
        ],
        "peaks": _peaks(job, standing),
        "closest": min(standing, key=lambda pull: pull.margin, default=None),
        "count": len(standing),
        "beside": _beside(session),
        "guards": _guards(job, standing),
        "passed": [f"Pull {pull.number}: {text}" for pull in pulls for text in pull.warnings if "passed" in text],
        "trust": trust,
        "cautions": wording.CAUTIONS,
        "watch": WATCH,
        "digest": session.digest(),
    }


def _beside(session: Session) -> list[str]:
    """Boost above the limit that is in no pull: in a refused log, or outside the pull of its log. What was settled
    since is told as well, as the steps of then said it."""
    open_now = [stop.text for stop in session.open_stops() if stop.code.startswith("limit ")]
    then = [
        text
        for step in session.steps()
        for code, text in zip(step.codes, step.reasons, strict=True)
        if code in ("limit outside the pull", "limit in refused log")
    ]
    return [text if text in open_now else f"{text} Settled since." for text in dict.fromkeys([*then, *open_now])]


def noticed(steps: Sequence[Step]) -> list[str]:
    """What the latest steps say of a car that changed between pulls, each thing of each pull once: every target has a
    fit of its own, and sizes that differ by little."""
    said: dict[tuple[str, str], str] = {}
    for step in steps:
        for code, text in zip(step.codes, step.reasons, strict=True):
            if code.startswith("changed"):
                pull = _PULL.search(text)
                said.setdefault((code, text if pull is None else pull[1]), text)
    return list(said.values())


def conditions(pulls: Sequence[PullResult]) -> dict[str, tuple[float, float]]:
    """Least and most of barometer [kPa absolute], intake and coolant temperature [°C] over pulls, where they were read
    or stated: an assumed barometer is no reading."""
    found: dict[str, tuple[float, float]] = {}
    for name in _CONDITIONS:
        values = [pull.barometer_kpa if name == "barometer_kpa" else pull.conditions.get(name) for pull in pulls]
        known = [float(value) for value in values if value is not None and math.isfinite(value)]
        if known:
            found[name] = (min(known), max(known))
    return found


def _conditions_said(pulls: Sequence[PullResult]) -> list[tuple[str, str]]:
    """Conditions in words, each with its name; that the barometer was not read is said too."""
    lines = {name: f"{_spread(ends)} {_CONDITIONS[name][1]}" for name, ends in conditions(pulls).items()}
    unread = sum(math.isnan(pull.barometer_kpa) for pull in pulls)
    if unread:
        read = lines.pop("barometer_kpa", "")
        seen = f"{read}; not read in {unread} of {len(pulls)} pulls" if read else "not read"
        lines = {"barometer_kpa": f"{seen}, standard atmosphere assumed", **lines}
    return [(_CONDITIONS[name][0], line) for name, line in lines.items()]


def _target(session: Session, name: str, standing: Sequence[PullResult]) -> dict[str, Any]:
    """Verdict, final settings and curves of one target."""
    job = session.job
    step = session.next_step(name)
    pulls = {pull.number: pull for pull in session.pulls(name)}
    final = pulls.get(step.best_pull)
    first = next((pulls[pull.number] for pull in standing if not pull.at_held_rpm), None)
    return {
        "name": name,
        "step": step,
        "face": wording.FACES[step.verdict],
        "wanted": job.targets[name],
        "points": _points(job, name),
        "final": final,
        "settings": _settings(job, final),
        "ended": step.verdict in ("done", "out of reach"),
        "reasons": [
            text
            for i, (code, text) in enumerate(zip(step.codes, step.reasons, strict=True))
            if i == 0 or code == "off the dial"
        ],
        "figure": svg(
            figures.before_after(first, final, job.targets[name], step.limit, step.unit),
            title=f"Boost over engine speed before and after, {name}",
            mark=f"curve-{list(job.targets).index(name)}",
        ),
        "first": first,
    }


def _points(job: Job, name: str) -> str:
    wanted = job.targets[name]
    return ", ".join(
        f"{wording.pressure(boost, job.pressure_unit)} at {rpm:.0f}"
        for rpm, boost in zip(wanted.rpm, wanted.boost, strict=True)
    )


def _settings(job: Job, pull: PullResult | None) -> list[tuple[str, str, str]]:
    if pull is None:
        return []
    found = []
    for name, value in pull.settings.items():
        if name not in job.lacking(pull.settings):
            number, _, measure = wording.knob(name, value, job.pressure_unit).partition(" ")
            found.append((wording.KNOB_LABELS[name], number, measure))
    return found


def _target_changed(pull: PullResult, steps: Mapping[int, Step]) -> bool:
    """Whether the target that a pull was proposed for has been edited since; ``pull`` is measured against it as it is
    now. No deviation that was predicted is told then."""
    step = steps.get(pull.step or 0)
    meant = pull.source == "proposed" and step is not None and step.target == pull.target
    return meant and math.isnan(pull.predicted_deviation)


def _row(job: Job, pull: PullResult, step: Step | None, fault: LogFault | None, *, changed: bool) -> dict[str, Any]:
    target = step.target if step is not None and step.target in job.targets else job.first_target
    why = {
        "foreign": "Nothing was proposed for it.",
        "changed": "Other settings than proposed.",
    }.get(pull.source, _why(step))
    if pull.at_held_rpm and pull.source == "changed":  # advised beside a step with settings of its own
        why = "A run at held rpm."
    return {
        "number": pull.number,
        "settings": wording.settings_line(pull.settings, job.pressure_unit, job.lacking(pull.settings)),
        "why": why,
        "target": target if len(job.targets) > 1 else "",
        "changed": "The target was another one then; the deviation is from it as it is now." if changed else "",
        "deviation": wording.fine(pull.deviations[target], pull.unit),
        "peak": wording.pressure(pull.peak, pull.unit),
        "margin": wording.pressure(pull.margin, pull.unit),
        "over": pull.margin < 0,
        "kept": {True: "held", False: "missed", None: wording.UNKNOWN}[pull.hit],
        "warnings": pull.warnings,
        "withdrawn": pull.withdrawn,
        "log": pull.log,
        "sha256": pull.sha256,
        "fault": "" if fault is None else fault.text,
    }


def _why(step: Step | None) -> str:
    """First reason of a step. That pulls leave the judged range out is no reason for settings: the sheet says it of
    the step that stands, and not again of each pull."""
    pairs = [] if step is None else zip(step.codes, step.reasons, strict=True)
    return next((text for code, text in pairs if code != "out of range"), "")


def _limits_then(job: Job, pulls: Sequence[PullResult]) -> list[str]:
    """Limits that stood when pulls were added and are others now, in words, each with its pulls."""
    unit = job.pressure_unit
    numbers: dict[str, list[str]] = {}
    for pull in pulls:
        numbers.setdefault(wording.pressure(pull.limit_then, unit), []).append(str(pull.number))
    numbers.pop(wording.pressure(job.limit, unit), None)
    return [
        f"{then} {unit} at pull{'s' if len(those) > 1 else ''} {', '.join(those)}" for then, those in numbers.items()
    ]


def _peaks(job: Job, pulls: Sequence[PullResult]) -> str:
    if not pulls:
        return ""
    figure = figures.peaks(pulls, job.limit, job.pressure_unit)
    return svg(figure, title="Highest boost of each pull against the limit", mark="peaks")


def _guards(job: Job, pulls: Sequence[PullResult]) -> list[str]:
    """A sentence on the guards that watched every log, and one on each of the others, with the pulls that it missed."""
    every, others = [], []
    for name, bounds in job.guards.items():
        words = [f"{'at most' if side == 'highest' else 'at least'} {value:g}" for side, value in bounds.items()]
        guard = f"{name} {' and '.join(words)}"
        missed = [pull.number for pull in pulls if name not in pull.watched]
        if not missed:
            every.append(guard)
        elif len(missed) == len(pulls):
            others.append(f"{guard}: in none of {_logs(pulls)}, not watched.")
        else:
            listed = ", ".join(map(str, missed))
            pulls_missed = f"pull{'s' if len(missed) > 1 else ''} {listed}"
            seen = len(pulls) - len(missed)
            others.append(f"{guard}: in {seen} of {_logs(pulls)}, not watched in {pulls_missed}.")
    begin = "Watched in every log" if pulls else "No log yet; to be watched"
    return ([f"{begin}: {'; '.join(every)}."] if every else []) + others


def _logs(pulls: Sequence[PullResult]) -> str:
    return f"{len(pulls)} log{'s' if len(pulls) != 1 else ''}"


def _spread(ends: tuple[float, float]) -> str:
    low, high = (f"{end:.1f}".replace("-", "−") for end in ends)
    return low if low == high else f"{low} to {high}"


def _dates(pulls: Sequence[PullResult]) -> str:
    days = sorted({pull.added[:10] for pull in pulls if pull.added})
    return "" if not days else days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
