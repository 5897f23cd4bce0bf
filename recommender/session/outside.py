"""What a log shows outside the pull that was taken from it: boost above the limit, and guards passed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict

import numpy as np

from recommender.decide.step import Problem
from recommender.record import PullEntry, Snapshot
from recommender.record.stored import Stored
from recommender.session.pull_log import GuardHit, LoggedPull


def outside_facts(snapshot: Snapshot, pull: LoggedPull) -> Stored:
    """What of it is to be kept with the pull: see ``recommender.record.trials``; nothing where the record knows it.

    A log may hold pulls that are on record already, or that were refused before: what they showed is not told twice.
    """
    settled = {event["pull"] for event in snapshot.events if event["kind"] == "acknowledged"}
    pulls = [each for each in snapshot.pulls if each.withdrawn is None or each.number in settled]
    facts: Stored = {}
    if np.isfinite(pull.outside_kpa) and not _on_record(snapshot, pulls, pull.outside_kpa, pull.outside_s):
        facts["outside"] = {"peak_kpa": pull.outside_kpa, "time_s": pull.outside_s}
    known = [hit for each in pulls for hit in [*each.facts["guards"], *each.facts.get("guards_outside", ())]]
    passed = [hit for hit in map(asdict, pull.guards_outside) if hit not in known]
    return facts | ({"guards_outside": passed} if passed else {})


def _on_record(snapshot: Snapshot, pulls: Sequence[PullEntry], boost_kpa: float, time_s: float) -> bool:
    """Whether this very reading is that of a pull on record or of a log refused before. [kPa gauge], [s]"""
    refused = [event for event in snapshot.events if event["kind"] == "pull refused"]
    moments = [(event["peak_kpa"], event.get("peak_s", float("nan"))) for event in refused]
    for each in pulls:
        told = each.facts.get("outside")
        moments += [(told["peak_kpa"], told["time_s"])] if told else []
        moments += zip(each.trace.boost_kpa.tolist(), each.trace.time_s.tolist(), strict=True)
    return bool(moments) and bool(np.isclose(moments, [boost_kpa, time_s], rtol=0.0, atol=1e-3).all(axis=1).any())


def told_outside(pull: PullEntry, problem: Problem) -> Iterator[tuple[str, str]]:
    """Code and sentence of all that stood outside a pull in its log and has to be settled before the next one."""
    where = f"The log of pull {pull.number} shows, outside that pull,"
    told = pull.facts.get("outside")
    if told and told["peak_kpa"] > problem.limit_kpa:
        yield (
            "limit outside the pull",
            f"{where} {problem.say(told['peak_kpa'])} at {told['time_s']:.1f} s, above the overpressure limit of "
            f"{problem.say(problem.limit_kpa)}: a first attempt, a cut, or the gauge. That has to be settled first.",
        )
    for hit in pull.facts.get("guards_outside", ()):
        yield "guard", f"{where} {GuardHit(**hit).words()}."
