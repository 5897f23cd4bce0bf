"""What the templates are filled with: everything worded and measured out, nothing decided."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from recommender import figures, wording
from recommender.figures.palettes import PALETTES
from recommender.figures.svg import svg
from recommender.page.desk import Desk, Task
from recommender.page.pieces import (
    dots,
    fields,
    nearness,
    put_right,
    rows,
    safety,
    shown_reasons,
    tiles,
    trust_lines,
    values,
)
from recommender.page.shield import LARGEST_LOG

if TYPE_CHECKING:
    from recommender.session import Job, PullResult, Step
    from recommender.why.explanation import KnobEffect, Outcome


def desk(work: Desk, target: str, task: Task | None, notice: str) -> dict[str, Any]:
    """The main page for a target."""
    found, job = work.answers(target), work.session.job
    step, pulls = found.step, found.pulls
    shown = step.settings or (step.best_settings if step.verdict in ("done", "out of reach") else None)
    last = pulls[-1] if pulls else None
    set_to = tiles(job, shown, last) if shown else ()
    dialled = work.session.dialled_in(step)
    measured = step.verdict == "stop" and last is not None
    missed = last.step if last is not None and last.hit is False else None
    before = None if missed is None else work.session.step(missed)
    return {
        "title": f"{wording.FACES[step.verdict].words} – {job.name}",
        "step": step,
        "face": wording.FACES[step.verdict],
        "tiles": set_to,
        "moved": any(tile.was for tile in set_to),
        "measured": measured,
        "safety": nearness(job, last, found.stops) if measured and last else safety(job, step, bool(pulls)),
        "reasons": shown_reasons(step, bool(found.stops)),
        "trust": trust_lines(found.trust, last, step, before),
        "stops": found.stops,
        "dialled": (asked := fields(job, dialled)),
        "unsaid": [tile.label for tile in asked if not tile.number],
        "corrected": put_right(job, step, dialled),
        "asked": urlencode({"target": target, **{name: wording.knob_number(value) for name, value in dialled.items()}}),
        "checklist": () if pulls else work.session.checklist(),
        "figure": _outlook(job, step, pulls),
        "dots": dots(pulls),
        "values": values(job, step, last),
        "rows": rows(job, found),
        "last": last,
        "task": task,
        "taking": work.latest is not None and not work.latest.done,
        "taken": next((pull for pull in pulls if task and pull.number == task.pull), None),
        "notice": notice,
        "watched": work.watched(),
        "notices": work.notices[-3:],
        "late": work.session.long_ago(),
        "cautions": wording.CAUTIONS,
        "largest": LARGEST_LOG,
    }


def why(work: Desk, number: int) -> dict[str, Any]:
    """The why panel of a step."""
    job = work.session.job
    step = work.session.step(number)
    explained = work.session.explain(number)
    numbers = [each.number for each in work.session.steps(step.target)]
    place = numbers.index(number)
    ended = step.verdict in ("done", "out of reach")
    served = _served(work, explained.last, step.target)
    return {
        "title": f"Why step {number}",
        "step": step,
        "face": wording.FACES[step.verdict],
        "why": explained,
        "tiles": tiles(job, step.settings, None) if step.settings else (),
        "stand": tiles(job, step.best_settings, None) if ended and step.best_settings else (),
        "effects": [_effect(effect, job.pressure_unit) for effect in explained.effects if not effect.fixed],
        "outcome": None if explained.last is None else _outcome(work, explained.last, served),
        "served": served,
        "earlier": numbers[place - 1] if place > 0 else None,
        "later": numbers[place + 1] if place + 1 < len(numbers) else None,
        "form": tiles(job, step.settings or step.best_settings or {}, None),
    }


def _effect(effect: KnobEffect, unit: str) -> tuple[KnobEffect, str, str]:
    """A knob's effect with its label and its picture."""
    label = wording.KNOB_LABELS[effect.knob]
    picture = figures.knob_effect(effect, unit)
    return effect, label, svg(picture, title=f"{label}: change of boost over engine speed", mark=f"knob-{effect.knob}")


def _outcome(work: Desk, last: Outcome, served: str) -> str | None:
    """The prediction drawn over what happened, with the target that it served; None where the pull was withdrawn."""
    predicted = work.session.step(last.step)
    pull = next((each for each in work.session.pulls(served) if each.number == last.pull), None)
    if pull is None:
        return None
    picture = figures.outcome(predicted, pull, work.session.job.wanted(served))
    title = f"What step {predicted.number} predicted and what pull {pull.number} gave"
    return svg(picture, title=title, description=last.text, mark="outcome")


def _served(work: Desk, last: Outcome | None, target: str) -> str:
    """Name of the target that a prediction was made for; ``target`` where none was, or the job has it no more."""
    name = target if last is None else work.session.step(last.step).target
    return name if name in work.session.job.targets else target


def what_if(work: Desk, target: str | None, asked: Mapping[str, float]) -> dict[str, Any]:
    """What is expected of settings that the user asks for."""
    job = work.session.job
    name = job.wanted(target).name
    step = work.session.what_if(asked, name)
    pulls = work.session.pulls(name)
    standing = work.session.next_step(name)
    return {
        "title": "What if",
        "step": step,
        "standing": standing,
        "safety": safety(job, step, bool(pulls)) | _against(step, standing),
        "form": tiles(job, step.settings or {}, None),
        "figure": _outlook(job, step, pulls),
        "target": name,
    }


def _against(asked: Step, standing: Step) -> dict[str, Any]:
    """What speaks against settings that were asked about, whatever their risk, in place of whether it is allowed."""
    if standing.verdict == "stop":
        return {"within": False, "verdict": "The job is at a stop: nothing is to be run before its cause is found."}
    told = [text for code, text in zip(asked.codes, asked.reasons, strict=True) if code == "back off"]
    return {"within": False, "verdict": told[0]} if told else {}


def figure_json(work: Desk, number: int, theme: str) -> str:
    """The main figure of a step for Plotly's own script, in the colours of a theme."""
    step = work.session.step(number)
    wanted = work.session.job.wanted(step.target)
    pulls = [pull for pull in work.session.pulls(step.target) if _made_before(step, pull)]
    palette = PALETTES.get(theme, PALETTES["light"])
    if step.verdict == "stop" and pulls:
        figure = figures.measured(pulls, wanted, step.limit, step.unit, palette)
    else:
        figure = figures.outlook(step, wanted, pulls, palette)
    text = figure.to_json()
    return str(text)


def _made_before(step: Step, pull: PullResult) -> bool:
    """Whether a pull was there when a step was made: those that a later step proposed were not."""
    return pull.step is None or pull.step < step.number


def _outlook(job: Job, step: Step, pulls: Sequence[PullResult]) -> str:
    peak, limit = wording.pressure(step.peak, step.unit), wording.pressure(step.limit, step.unit)
    if step.verdict == "stop" and pulls:  # nothing is to be run: only what was measured is shown
        picture = figures.measured(pulls, job.wanted(step.target), step.limit, step.unit)
        return svg(picture, title=f"Boost over engine speed: pull {pulls[-1].number}, target, limit", mark="outlook")
    return svg(
        figures.outlook(step, job.wanted(step.target), pulls),
        title="Boost over engine speed",
        description=f"Target, pulls, predicted band. Expected peak {peak} {step.unit}, limit {limit} {step.unit}.",
        mark="outlook",
    )
