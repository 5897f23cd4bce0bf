"""What the tuner must know about the evidence behind a step: slow logs, pulls that leave some of the judged range out,
boost past the target's range."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from models.risk import risk_of, spikes_kpa
from recommender import wording
from recommender.decide.allowed import asks_as_much, kept_limit, repeats_offence, trusted_sweeps
from recommender.decide.step import Reason, same

if TYPE_CHECKING:
    from recommender.decide.outlook import Forecast, Outlook
    from recommender.decide.review import Review

#: What a log could have hidden, or what comes past the range, is worth a word from this share of the tolerance on. [-]
WORTH_SAYING: Final = 0.5
#: Verdicts after which something is run, or handed over, on the word of the logs.
_RELYING: Final = ("pull", "repeat", "done")


def with_caveats(
    outlook: Outlook, verdict: str, forecast: Forecast, why: Sequence[Reason], seen: Review | None = None
) -> tuple[Reason, ...]:
    """The reasons of a decision with what is to be said of its logs.

    A first gain, slow logs and boost past the range come after the reason about the limit; that the job comes to no end
    comes first; pulls that passed the limit since, a nearer one that does not stand and lifted ones come last.

    Args:
        outlook, verdict, forecast, why: The decision.
        seen: The pulls, reviewed; None before there are any.
    """
    if seen is not None and verdict in ("done", "out of reach"):
        why = (*why, *passed_since(outlook, seen), *nearer_pull(outlook, seen), *lifted_since(outlook, seen))
    if verdict == "out of reach":
        return (*why, *_risky_end(outlook, verdict, forecast))
    if verdict not in _RELYING:
        return tuple(why)
    more = (
        *first_gain(outlook, verdict, forecast, why, seen),
        *slow_logs(outlook, forecast),
        *past_the_range(outlook, forecast),
        *_risky_end(outlook, verdict, forecast),
    )
    place = next((number for number, reason in enumerate(why, start=1) if reason.code == "limit"), len(why))
    return (*out_of_range(outlook), *why[:place], *more, *why[place:])


def first_gain(
    outlook: Outlook, verdict: str, forecast: Forecast, why: Sequence[Reason], seen: Review | None
) -> tuple[Reason, ...]:
    """That a pull with gain is one to be ready to end, while none has shown whether gain rings on this car."""
    runs = verdict in ("pull", "repeat") and seen is not None and not seen.gain_known
    if not runs or forecast.settings.gain <= outlook.problem.knobs["gain"].lower:
        return ()
    if any(reason.code == "more gain" for reason in why):  # says so itself
        return ()
    text = "No pull has shown yet what gain does on this car: be ready to end this one if boost rings."
    return (Reason("first gain", text),)


def _risky_end(outlook: Outlook, verdict: str, forecast: Forecast) -> tuple[Reason, ...]:
    """That the settings a job ends with pass the limit more often than it allows, now that they have been run."""
    problem = outlook.problem
    if verdict not in ("done", "out of reach") or forecast.risk <= problem.risk:
        return ()
    instead = "a lower target" if verdict == "done" else "milder settings"
    return (
        Reason(
            "risk",
            f"Another pull with these settings has a risk of {wording.risk(forecast.risk, problem.risk)}, above the "
            f"{wording.allowed_risk(problem.risk)} that the job allows: agree a higher limit or {instead} before the "
            "car is handed over.",
        ),
    )


def nearer_pull(outlook: Outlook, seen: Review) -> tuple[Reason, ...]:
    """That a pull came nearer to the target than the one a job ends with, and why its settings do not stand."""
    problem = outlook.problem
    if seen.best_kpa <= problem.tolerance_kpa:
        return ()
    passed = [offender for offender in seen.bad if offender.why == "limit passed"]
    rows = [
        (pull.deviation_kpa(problem.target), pull.number, offender.pull.number)
        for pull in outlook.pulls
        for offender in passed
        if pull.number >= seen.since
        and kept_limit(problem, pull)
        and repeats_offence(problem, pull.settings.as_array()[None], offender)[0]
    ]
    deviation, number, over = min((row for row in rows if np.isfinite(row[0])), default=(float("inf"), 0, 0))
    if not deviation < seen.best_kpa:
        return ()
    return (
        Reason(
            "nearer pull",
            f"Pull {number} came nearer, {problem.say_fine(deviation)} from the target, but asks for as much boost as "
            f"pull {over}, which passed the limit: its settings do not stand.",
        ),
    )


def passed_since(outlook: Outlook, seen: Review) -> tuple[Reason, ...]:
    """That pulls passed the limit after the one whose settings a job ends with, which may still be dialled in."""
    problem, best = outlook.problem, seen.best
    later = [pull for pull in outlook.pulls if best is not None and pull.number > best.number]
    passed = [pull for pull in later if pull.highest_kpa > problem.limit_kpa]
    if not passed:
        return ()
    highest = max(passed, key=lambda pull: pull.highest_kpa)
    text = (
        f"Pull {highest.number} passed the limit of {problem.say(problem.limit_kpa)}: it reached "
        f"{problem.say_past(highest.highest_kpa, problem.limit_kpa)}. See that none of its settings are left in the "
        "controller."
    )
    return (Reason("passed since", text),)


def lifted_since(outlook: Outlook, seen: Review) -> tuple[Reason, ...]:
    """That a pull which asked for no more than the settings a job ends with was lifted after they had been run."""
    best = seen.best
    if best is None:
        return ()
    later = [pull for pull in outlook.pulls if pull.number > best.number and not (pull.complete or pull.held_rpm)]
    lifted = [pull for pull in later if asks_as_much(outlook.problem, best.settings, pull.settings)]
    if not lifted:
        return ()
    what = "these settings" if same(lifted[-1].settings, best.settings) else "settings that ask for no more than these"
    text = f"Pull {lifted[-1].number}, with {what}, was lifted: be sure why before the car is handed over."
    return (Reason("lifted", text),)


def slow_logs(outlook: Outlook, forecast: Forecast) -> tuple[Reason, ...]:
    """What slow logs could have hidden, and how far the risk is widened for it; nothing where they show all."""
    problem = outlook.problem
    hidden = {pull.number: pull.unseen_kpa for pull in outlook.pulls if pull.trusted}
    slow = [number for number, height in hidden.items() if height > WORTH_SAYING * problem.tolerance_kpa]
    if not slow:
        return ()
    added = outlook.hidden
    bare = forecast.highest - spikes_kpa(forecast.highest.size, added)
    narrow = wording.risk(float(risk_of(bare[:, None], problem.limit_kpa)[0]), problem.risk)
    risk = wording.risk(forecast.risk, problem.risk)
    effect = f"takes the risk from {narrow} to {risk}" if narrow != risk else f"leaves the risk at {risk}"
    return (
        Reason(
            "slow log",
            f"{_numbered(slow)} too slow to show a spike of up to {problem.say(max(hidden.values()))}: "
            f"{problem.say_fine(added)} is added to the highest boost expected, which {effect}. Log boost ten times a "
            "second.",
        ),
    )


def out_of_range(outlook: Outlook) -> tuple[Reason, ...]:
    """That no pull so far covers the judged range: no deviation can be told then, and the job can come to no end."""
    target = outlook.problem.target
    sweeps = trusted_sweeps(outlook.problem, outlook.pulls)
    covered = [pull.curve.rpm[pull.curve.reached] for pull in sweeps if pull.curve.reached.any()]
    if not covered or any(np.isfinite(pull.deviation_kpa(target)) for pull in sweeps):
        return ()
    first, last = min(rpm[0] for rpm in covered), max(rpm[-1] for rpm in covered)
    little = 0.05 * (target.judge_to - target.judge_from)  # a tenth may be missing in all
    said = []
    if first > target.judge_from + little:
        said.append(
            f"The pulls so far begin at {wording.rpm(first)} and the judged range at {wording.rpm(target.judge_from)}: "
            f"begin lower, or set judge_from to {first:.0f} in the job file."
        )
    lifted = last < 0.5 * (target.judge_from + target.judge_to)  # no engine ends there
    if last < target.judge_to - little and not lifted:
        said.append(
            f"The pulls so far end at {wording.rpm(last)} and the judged range at {wording.rpm(target.judge_to)}: go "
            f"on further where the engine allows it, or set judge_to to {last:.0f} in the job file."
        )
    if not said:
        return ()
    said.append("As it is no deviation can be told, and the job comes to no end.")
    return (Reason("out of range", " ".join(said)),)


def past_the_range(outlook: Outlook, forecast: Forecast) -> tuple[Reason, ...]:
    """That boost goes on rising past the rpm up to which the target is given, where the highest boost comes of that."""
    problem = outlook.problem
    rise = outlook.beyond.mean_kpa + float(outlook.by_ramp_past_end(forecast.settings.as_array()[None]).mean())
    last = forecast.curves[:, -1] + rise
    if rise <= WORTH_SAYING * problem.tolerance_kpa or np.mean(last > forecast.curves.max(axis=1)) <= 0.5:
        return ()
    return (
        Reason(
            "past the range",
            f"Past {wording.rpm(float(outlook.rpm[-1]))}, where the target ends, boost goes up by about another "
            f"{problem.say_fine(rise)} to the end of the pull: it counts against the limit, not in the deviation.",
        ),
    )


def _numbered(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"The log of pull {numbers[0]} is"
    listed = f"{', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
    return f"The logs of pulls {listed} are"
