"""Checklist, log contents, record and replay on the terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from recommender import wording
from recommender.cli.pull import table
from recommender.cli.screen import Screen

if TYPE_CHECKING:
    from recommender.record.replay import Row
    from recommender.session import Intake, Job, LogFault, PullResult, Trust
    from recommender.session.checklist import Item


def check_lines(job: Job, items: Sequence[Item], screen: Screen) -> list[str]:
    """The job as understood, and the list to go through."""
    unit = job.pressure_unit
    lines = [f" {screen.style(job.name, 'bold')}: {job.path} is sound.", ""]
    for name, wanted in job.targets.items():
        points = ", ".join(
            f"{wording.pressure(boost, unit)} {unit} at {rpm:.0f} rpm"
            for rpm, boost in zip(wanted.rpm, wanted.boost, strict=True)
        )
        judged = f"judged from {wanted.judge_from:.0f} to {wanted.judge_to:.0f} rpm"
        lines += screen.listed(
            "Target", [f"{name}: {points}; {judged}; done within {wording.fine(wanted.tolerance, unit)} {unit}."]
        )
    default = " (3 psi above the highest target: the job file gives none)" if job.limit_is_default else ""
    limit = f"{wording.pressure(job.limit, unit)} {unit}{default}; risk {wording.allowed_risk(job.risk)}."
    lines += screen.listed("Limit", [limit])
    dials = [
        f"{wording.KNOB_LABELS[name]}: {dial.range_words()}" + ("" if dial.fixed else f", at most {dial.step:g} a pull")
        for name, dial in job.dials.items()
        if not dial.absent
    ]
    lines += screen.listed("Knobs", dials)
    absent = [wording.KNOB_LABELS[name] for name, dial in job.dials.items() if dial.absent]
    if absent:
        lines += screen.listed("", [f"Not on this controller: {', '.join(absent)}."])
    if job.remarks:
        lines += screen.listed("Note", list(job.remarks))
    lines += ["", f" {screen.style('Before the first pull', 'bold')}"]
    marks = {"good": "[x]", "bad": "[!]", "to do": "[ ]"}
    for item in items:
        words = {"good": "GOOD: ", "bad": "FAULT: "}.get(item.state, "")
        lines += screen.wrapped(f"{words}{item.text}", f" {marks[item.state]} ")
    return lines


def look_lines(found: Intake, job: Job | None, screen: Screen) -> list[str]:
    """What a log holds."""
    lines = [f" {screen.style(found.file_name, 'bold')}"]
    lines += screen.listed("Layout", [str(found.layout)])
    columns = [f"{choice.role.rstrip('_')}: {choice.column} ({choice.reason})" for choice in found.channels]
    lines += screen.listed("Columns", columns)
    peak = found.highest_boost_kpa
    if math.isfinite(peak):
        lines += screen.listed("Highest", [f"{_said(peak, job)} anywhere in the recording."])
    for i, pull in enumerate(found.pulls, 1):
        span = f"{pull.trace.rpm[0]:.0f} to {pull.trace.rpm[-1]:.0f} rpm, {pull.start_s:.1f} to {pull.end_s:.1f} s"
        top = f"peak {_said(float(pull.trace.boost_kpa.max()), job)}"
        end = ", aborted" if pull.aborted else ""
        texts = [f"{pull.kind}{end}: {span}, {top}; {pull.quality.verdict}."]
        texts += [remark.text for remark in pull.quality.remarks]
        texts += [finding.text for finding in pull.guard_findings]
        lines += screen.listed(f"Pull {i}", texts)
    if not found.pulls:
        lines += screen.listed("Pulls", ["None."])
    if found.warnings:
        lines += screen.listed("Mind", list(found.warnings))
    return lines


def _said(kpa: float, job: Job | None) -> str:
    return f"{kpa:.0f} kPa" if job is None else job.problem().say(kpa)


def pulls_lines(pulls: Sequence[PullResult], trust: Trust, job: Job) -> list[str]:
    """The table of pulls, and how often predictions held."""
    if not pulls:
        return [" No pull on record yet."]
    words = []
    for pull in pulls:
        if pull.withdrawn is not None:
            words.append(f"withdrawn: {pull.withdrawn}")
        else:
            words.append(_came(pull))
    lines = table(pulls, job, words)
    if len(job.targets) > 1:
        others = " or ".join(name for name in job.targets if name != pulls[0].target)
        lines += ["", f" Deviations are from the target {pulls[0].target}; --target {others} for another."]
    if trust.predicted:
        inside = wording.share(trust.points)
        lines += ["", f" {trust.hits} of {trust.predicted} predictions held; on average {inside} of a curve lay inside"]
        lines += [" its 90 % band."]
    return lines


def _came(pull: PullResult) -> str:
    """What became of a pull, in a word or two; that it passed the limit first, also where it was lifted for that, or
    the limit was raised since."""
    raised = wording.pressure(pull.limit_then, pull.unit)
    over = ["OVER THE LIMIT"] if pull.margin < 0 else []
    over += [f"OVER THE LIMIT OF THEN, {raised} {pull.unit}"] if pull.limit_then < pull.peak <= pull.limit else []
    how = ["at held rpm"] if pull.at_held_rpm else [] if pull.complete else ["aborted"]
    found = [*over, *how]
    return ", ".join(found) or {True: "as predicted", False: "missed", None: ""}[pull.hit]


def replay_lines(rows: Sequence[Row], faults: Sequence[LogFault], logs: int, screen: Screen) -> list[str]:
    """Every step: whether it came out again; and every raw log that is not as it was taken.

    Args:
        rows: The steps.
        faults: Raw logs at fault.
        logs: How many there should be.
        screen: Where it is shown.
    """
    lines = []
    for row in rows:
        pulls = f"{len(row.pulls)} pull{'s' if len(row.pulls) != 1 else ''}"
        text = f"{row.verdict} (from {pulls}, version {row.version}): "
        text += "the same, bit for bit." if row.same else f"DIFFERS: {_shortened(row.differs)}."
        lines += screen.listed(f"Step {row.step}", [text])
    for fault in faults:
        lines += screen.listed(f"Pull {fault.pull}", [f"RAW LOG {fault.what.upper()}: {fault.text}"])
    same = sum(row.same for row in rows)
    ends = [f" {same} of {len(rows)} steps are the same, bit for bit."] if rows else [" No step on record yet."]
    if logs:
        ends.append(f" {logs - len(faults)} of {logs} raw logs are as they were taken.")
    return [*lines, *([""] if lines else []), *ends]


def _shortened(differs: Sequence[str], most: int = 3) -> str:
    more = len(differs) - most
    return "; ".join(differs[:most]) + (f"; and {more} more" if more > 0 else "")
