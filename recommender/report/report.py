"""The hand-over sheet: what was done to a car, for its owner and for whoever carries on."""

from __future__ import annotations

import base64
import csv
import datetime
import hashlib
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from recommender.session import Session

Clock = Callable[[], datetime.datetime]

#: Names of the forms of the sheet, and the endings of their files.
FORMS: Final = ("html", "csv", "json")
_PAGE: Final = Path(__file__).parents[1] / "page"
#: By what a sheet written before is known, and how far from the file's beginning that stands. [bytes]
_MARKS: Final = {"html": b"<title>Hand-over sheet: ", "csv": b"job,pull,added,target,", "json": b'"record_digest": "'}
_HEAD: Final = 4096
#: First signs of a cell by which a spreadsheet knows a formula (OWASP, "CSV injection").
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")


class ReportError(ValueError):
    """The sheet cannot be written as asked."""


def write_report(
    session: Session, path: str | Path | None = None, *, form: str = "html", clock: Clock = datetime.datetime.now
) -> Path:
    """Write the hand-over sheet of a job. What is there and is no such sheet is never written over.

    Args:
        session: The job.
        path: Where to; ``sheet.html`` (or the other endings) beside the job file where it is None.
        form: ``html``, ``csv`` or ``json``.
        clock: Gives the date on the sheet.
    Returns:
        The file.
    Raises:
        ReportError: a form that does not exist, or a file that cannot be written or must not be written over.
    """
    if form not in FORMS:
        raise ReportError(f"form: must be one of {', '.join(FORMS)}, but got {form!r}.")
    make = {"html": sheet_html, "csv": sheet_csv, "json": sheet_json}[form]
    file = session.job.beside(f"sheet.{form}") if path is None else Path(path)
    _refuse_over(session, file, form)
    # A mark of the encoding lets spreadsheets read accents; JSON must not have one.
    encoding = "utf-8-sig" if form == "csv" else "utf-8"
    text = make(session, clock=clock)
    try:
        file.write_text(text, encoding=encoding, newline="")
    except OSError as error:
        raise ReportError(f"{file}: cannot be written: {error.strerror}. Name another file.") from None
    return file


def _refuse_over(session: Session, file: Path, form: str) -> None:
    """Raise ReportError where a sheet would be written over anything but an older sheet of the same form.

    An empty file, a pipe and a screen lose nothing.
    """
    own = session.own_file(file)
    if own:
        raise ReportError(f"{file}: is {own}, and no sheet is written there. Name another file.")
    if not file.is_file():
        return
    try:
        with file.open("rb") as there:
            head = there.read(_HEAD)
    except OSError as error:
        raise ReportError(f"{file}: is there and cannot be read ({error.strerror}). Name another file.") from None
    if head and _MARKS[form] not in head:
        raise ReportError(
            f"{file}: is there already and is no {form.upper()} sheet that was written before. Name another file, or "
            "move that one away."
        )


def sheet_html(session: Session, *, clock: Clock = datetime.datetime.now) -> str:
    """The sheet as one HTML page without script: it prints to A4 and to letter."""
    from recommender.page.app import templates
    from recommender.report.view import sheet

    return templates().get_template("sheet.html").render(**sheet(session, clock()), style=_style(), policy=policy())


def policy() -> str:
    """Content policy of the sheet: its own style, pictures in it, and nothing else; above all no script."""
    digest = base64.b64encode(hashlib.sha256(_style().encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"


def _style() -> str:
    return (_PAGE / "static" / "sheet.css").read_text(encoding="utf-8")


def sheet_csv(session: Session, *, clock: Clock = datetime.datetime.now) -> str:
    """One row a pull, with settings and measures; pressures in the job's unit, gauge. Raw logs are checked.

    Text that a spreadsheet would run as a formula gets an apostrophe before it.
    """
    job, unit = session.job, session.job.pressure_unit
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    knobs = list(job.dials)
    writer.writerow([
        "job", "pull", "added", "target", "source", "step",
        *(f"{name} [{unit}]" if name == "engagement" else name for name in knobs),
        *(f"{name} [{unit}]" for name in ("deviation", "peak", "margin", "limit", "predicted peak")),
        "peak at [rpm]", "prediction", "share inside the band", "complete", "withdrawn", "log", "sha256",
        "remarks", "record digest", "sheet made", "raw log",
    ])  # fmt: skip
    digest, made = settled_digest(session), clock().isoformat(timespec="seconds")
    faults = {fault.pull: fault.text for fault in session.log_faults()}
    for name in job.targets:
        for pull in session.pulls(name, withdrawn=True):
            numbers = (pull.deviation, pull.peak, pull.margin, pull.limit, pull.predicted_peak)
            state = faults.get(pull.number, "as it was taken")
            held = {True: "held", False: "missed", None: ""}[pull.hit]
            cells = [
                job.name, pull.number, pull.added, name, pull.source, pull.step,
                *(pull.settings[knob] for knob in knobs), *(_rounded(number) for number in numbers),
                _rounded(pull.peak_rpm), held, _rounded(pull.held), "yes" if pull.complete else "no", pull.withdrawn,
                pull.log, pull.sha256, " ".join(pull.warnings), digest, made, state,
            ]  # fmt: skip
            writer.writerow([defused(cell) for cell in cells])
    return out.getvalue()


def settled_digest(session: Session) -> str:
    """The record's digest once every target has its step: what a sheet and a later look at the record agree on."""
    for name in session.job.targets:
        session.next_step(name)
    return session.digest()


def defused(cell: object) -> object:
    """A cell that no spreadsheet takes for a formula: text that begins like one gets an apostrophe. Numbers stay."""
    if not isinstance(cell, str):
        return cell
    plain = cell.replace("\x00", "")
    return f"'{plain}" if plain.lstrip(" ").startswith(_FORMULA) or plain.startswith(("\t", "\r", "\n")) else plain


def _rounded(value: float) -> float | str:
    return round(value, 4) if value == value else ""


def sheet_json(session: Session, *, clock: Clock = datetime.datetime.now) -> str:
    """Everything on the sheet as one JSON object: job, targets with steps and verdicts, pulls with curves, digest."""
    from recommender.report.view import conditions
    from recommender.session import plain
    from recommender.wording import CAUTIONS

    job = session.job
    targets: dict[str, Any] = {}
    for name, wanted in job.targets.items():
        targets[name] = {
            "rpm": list(wanted.rpm),
            "boost": list(wanted.boost),
            "judge_from": wanted.judge_from,
            "judge_to": wanted.judge_to,
            "tolerance": wanted.tolerance,
            "step": plain(session.next_step(name)),
            "steps": plain(session.steps(name)),
            "trust": plain(session.trust(name)),
        }
    sheet = {
        "job": job.name,
        "made": clock().isoformat(timespec="seconds"),
        "record_digest": settled_digest(session),
        "unit": job.pressure_unit,
        "limit": job.limit,
        "limit_is_default": job.limit_is_default,
        "risk": job.risk,
        "guards": {name: dict(bounds) for name, bounds in job.guards.items()},
        "notes": job.notes,
        "conditions": conditions(session.pulls()),
        "targets": targets,
        "pulls": plain(session.pulls(withdrawn=True)),
        "log_faults": plain(session.log_faults()),
        "cautions": list(CAUTIONS),
    }
    return json.dumps(sheet, ensure_ascii=False, indent=1, allow_nan=False)
