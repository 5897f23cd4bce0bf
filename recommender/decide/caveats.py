"""What the tuner must know about the evidence behind a step: slow logs, and boost past the target's range."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from models.risk import excess_kpa, risk_of, spikes_kpa
from recommender import wording
from recommender.decide.step import Reason

if TYPE_CHECKING:
    from recommender.decide.outlook import Forecast, Outlook

#: What a log could have hidden, or what comes past the range, is worth a word from this share of the tolerance on. [-]
WORTH_SAYING: Final = 0.5
#: Verdicts after which something is run, or handed over, on the word of the logs.
_RELYING: Final = ("pull", "repeat", "done")


def with_caveats(outlook: Outlook, verdict: str, forecast: Forecast, why: Sequence[Reason]) -> tuple[Reason, ...]:
    """The reasons of a decision with what is to be said of its logs, after the one about the limit."""
    more = (*slow_logs(outlook, forecast), *past_the_range(outlook, forecast)) if verdict in _RELYING else ()
    place = next((number for number, reason in enumerate(why, start=1) if reason.code == "limit"), len(why))
    return (*why[:place], *more, *why[place:])


def slow_logs(outlook: Outlook, forecast: Forecast) -> tuple[Reason, ...]:
    """What slow logs could have hidden, and how far the risk is widened for it; nothing where they show all."""
    problem = outlook.problem
    hidden = {pull.number: pull.unseen_kpa for pull in outlook.pulls if pull.trusted}
    slow = [number for number, height in hidden.items() if height > WORTH_SAYING * problem.tolerance_kpa]
    if not slow:
        return ()
    without = excess_kpa(outlook.pulls, unseen=False)
    bare = forecast.highest - spikes_kpa(forecast.highest.size, outlook.excess - without)
    narrow = float(risk_of(bare[:, None], problem.limit_kpa)[0])
    return (
        Reason(
            "slow log",
            f"{_numbered(slow)} too slow to show a spike of up to {problem.say(max(hidden.values()))}: "
            f"{problem.say_fine(outlook.excess - without)} is added to the highest boost expected, which takes the "
            f"risk from {wording.risk(narrow)} to {wording.risk(forecast.risk)}. Log boost ten times a second.",
        ),
    )


def past_the_range(outlook: Outlook, forecast: Forecast) -> tuple[Reason, ...]:
    """That boost goes on rising past the rpm up to which the target is given, where the highest boost comes of that."""
    problem = outlook.problem
    rise = outlook.beyond.mean_kpa
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
