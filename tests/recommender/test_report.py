"""The hand-over sheet: everything on it comes from the record, and nothing on it runs."""

from __future__ import annotations

import csv
import dataclasses
import datetime
import io
import json
import re
from collections.abc import Callable, Iterator
from html import unescape
from pathlib import Path

import pytest

from models.settings import Settings
from recommender import report, wording
from recommender.cli.job import pulls_lines
from recommender.report.report import defused
from recommender.report.view import noticed
from recommender.session import PullRefused, Session, Step

MADE = datetime.datetime(2026, 3, 14, 15, 9)


def clock() -> datetime.datetime:
    return MADE


def text_of(page: str) -> str:
    """What a reader sees of a page."""
    body = re.sub(r"<(style|title|desc)>.*?</\1>", " ", page, flags=re.S)
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body)))


@pytest.fixture
def make_played(folder: Path, job_text: str, pull_log: Callable[..., Path]) -> Iterator[Callable[..., Session]]:
    """A job of the plain car with some pulls run as proposed; intake air grows warmer with rpm."""
    opened: list[Session] = []

    def make(name: str = "Harbour hatch", pulls: int = 3) -> Session:
        text = job_text.replace('"Harbour hatch"', json.dumps(name))
        (folder / "job.toml").write_text(text, encoding="utf-8")
        session = Session.open(folder)
        opened.append(session)
        for _ in range(pulls):
            run = session.job.settings_from_job(session.next_step().settings or {})
            session.add_pull(pull_log(run, more={"Intake Air Temp [°C]": lambda rpm: 20.0 + rpm / 500.0}))
        return session

    yield make
    for each in opened:
        each.close()


@pytest.fixture
def played(make_played: Callable[..., Session]) -> Session:
    return make_played()


def test_the_sheet_says_what_the_record_says(played: Session) -> None:
    page = report.sheet_html(played, clock=clock)
    said = text_of(page)
    step, pulls = played.next_step(), played.pulls()
    assert "Harbour hatch" in said
    assert "2026-03-14 15:09" in said
    assert played.digest() in said
    for pull in pulls:
        assert pull.sha256[:16] in said
        assert f" {wording.fine(pull.deviation, 'psi')} " in said
        made_by = played.step(pull.step or 0)
        assert made_by.reasons[0] in said
    best = next(pull for pull in pulls if pull.number == step.best_pull)
    for name, value in best.settings.items():
        assert f"{wording.KNOB_LABELS[name]} {wording.knob_number(value)}" in said
    nearest = min(pulls, key=lambda pull: pull.margin)
    assert f"nearest to the limit was pull {nearest.number}" in said
    for line in wording.CAUTIONS:
        assert line in said
    assert "Tuner, date" in said
    assert "Intake air" in said


def test_a_target_that_was_changed_is_told_beside_the_pulls_before(
    played: Session, pull_log: Callable[..., Path]
) -> None:
    words = "The target was another one then; the deviation is from it as it is now."
    assert words not in text_of(report.sheet_html(played, clock=clock))
    file = played.job.path
    file.write_text(file.read_text("utf-8").replace("[8.0, 16.0, 16.0]", "[8.0, 15.0, 15.0]"), "utf-8")
    played.follow()
    assert text_of(report.sheet_html(played, clock=clock)).count(words) == 3
    run = played.job.settings_from_job(played.next_step().settings or {})
    played.add_pull(pull_log(run))
    assert text_of(report.sheet_html(played, clock=clock)).count(words) == 3


def test_a_limit_that_was_raised_hides_no_pull_that_passed_it(
    played: Session, pull_log: Callable[..., Path]
) -> None:
    """ "The nearest to the limit was pull 4, 11.7 psi under it" was all that the sheet said of one 0.3 psi over it."""
    high = played.add_pull(pull_log(Settings(70, 5000, 7000, 0, 0, 0), scale=1.4), {"duty": 70, "gain": 0})
    assert (high.margin < 0, high.limit_then) == (True, 19.0)
    assert not any("overpressure cut" in note for note in played.next_step().notes)
    file = played.job.path
    file.write_text(file.read_text("utf-8").replace("overpressure = 19.0", "overpressure = 32.0"), "utf-8")
    played.follow()
    raised = played.pulls()[-1]
    assert (raised.limit, raised.limit_then) == (32.0, pytest.approx(19.0, abs=1e-3))  # to a pascal
    assert raised.warnings[0] == high.warnings[0] + " It was 19.0 psi when this pull was added, and is 32.0 psi now."
    said = text_of(report.sheet_html(played, clock=clock))
    assert "32.0 psi gauge; 19.0 psi at pulls 1, 2, 3, 4 " in said
    assert said.count(f"Pull 4: {raised.warnings[0]}") == 1
    assert pulls_lines(played.pulls(), played.trust(), played.job)[5].endswith("OVER THE LIMIT OF THEN, 19.0 psi")
    told = "The overpressure limit is 32.0 psi now and was 19.0 psi at pull 4: set the controller's own"
    assert any(note.startswith(told) for note in played.next_step().notes)
    played.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)), settings={"duty": 0, "engagement": 0, "gain": 0})
    assert not any("overpressure cut" in note for note in played.next_step().notes)


def test_a_limit_that_was_lowered_says_what_it_was(played: Session) -> None:
    assert not played.pulls()[-1].warnings
    file = played.job.path
    text = file.read_text("utf-8").replace("overpressure = 19.0", "overpressure = 10.0")
    file.write_text(text.replace("[8.0, 16.0, 16.0]", "[5.0, 9.0, 9.0]"), "utf-8")
    played.follow()
    passed = [pull.warnings[0] for pull in played.pulls() if pull.margin < 0]
    assert passed
    assert all(said.endswith(" It was 19.0 psi when this pull was added, and is 10.0 psi now.") for said in passed)


def test_a_pull_for_which_nothing_was_proposed_is_not_said_to_be_made_without_the_tool(
    make_played: Callable[..., Session], pull_log: Callable[..., Path]
) -> None:
    """The baseline after a stop was asked for, and by the tool."""
    session = make_played(pulls=1)
    for _ in range(2):
        session.add_pull(pull_log(Settings(70, 5000, 7000, 0, 0, 0), scale=1.4), {"duty": 70, "engagement": 0})
    assert session.next_step().verdict == "stop"
    again = session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)), {"duty": 0, "engagement": 0})
    assert again.source == "foreign"
    said = text_of(report.sheet_html(session, clock=clock))
    assert "Nothing was proposed for it." in said
    assert "without the tool" not in said


def test_boost_above_the_limit_that_is_in_no_pull_is_told_too(played: Session, pull_log: Callable[..., Path]) -> None:
    """ "The nearest to the limit was pull 3" is not the whole of it where a refused log shows more than the limit."""
    assert "besides these pulls" not in text_of(report.sheet_html(played))
    run = played.job.settings_from_job(played.next_step().settings or {})
    with pytest.raises(PullRefused):
        played.add_pull(pull_log(run, scale=3.0, pinned_kpa=160.0))
    said = played.next_step().reasons[0]
    assert "above the overpressure limit" in said
    assert f"Boost above the limit was seen besides these pulls: {said} " in text_of(report.sheet_html(played))
    played.acknowledge(0, "gauge changed")
    assert f"{said} Settled since. " in text_of(report.sheet_html(played))


def test_the_digest_changes_with_the_record(played: Session) -> None:
    first = report.sheet_html(played)
    before = played.digest()
    assert before in first
    assert before in report.sheet_csv(played)
    assert before in report.sheet_json(played)
    played.withdraw(1, "hose came off")
    page = report.sheet_html(played)
    assert before not in page
    assert "Withdrawn: hose came off" in page


def test_a_barometer_that_nobody_read_is_not_stated(played: Session, pull_log: Callable[..., Path]) -> None:
    said = text_of(report.sheet_html(played))
    assert "101.3" not in said
    assert "Barometer not read, standard atmosphere assumed" in said
    assert "barometer_kpa" not in json.loads(report.sheet_json(played))["conditions"]
    run = played.job.settings_from_job(played.next_step().settings or {})
    played.add_pull(pull_log(run, more={"Barometer [kPa]": lambda rpm: 97.2 + 0.0 * rpm}))
    said = text_of(report.sheet_html(played))
    assert "Barometer 97.2 kPa absolute; not read in 3 of 4 pulls, standard atmosphere assumed" in said
    assert json.loads(report.sheet_json(played))["conditions"]["barometer_kpa"] == [97.2, 97.2]
    for number in (1, 2, 3):
        played.withdraw(number, "another day")
    said = text_of(report.sheet_html(played))
    assert "Barometer 97.2 kPa absolute" in said
    assert "standard atmosphere" not in said


def test_a_checksum_is_printed_of_checked_logs_only(played: Session) -> None:
    missing, altered, whole = played.pulls()
    for pull in (missing, altered, whole):
        assert pull.sha256[:16] in text_of(report.sheet_html(played))
    logs = {pull.number: next((played.job.folder / "logs").glob(f"{pull.sha256}*")) for pull in played.pulls()}
    logs[missing.number].unlink()
    logs[altered.number].write_bytes(b"something else")
    said = text_of(report.sheet_html(played))
    assert f"SHA-256 {whole.sha256[:16]}… as checked" in said
    assert f"SHA-256 {missing.sha256[:16]}" not in said
    assert f"SHA-256 {altered.sha256[:16]}" not in said
    assert f"Log {missing.log}: logs/{logs[1].name} is missing. Put it back" in said
    assert f"Log {altered.log}: logs/{logs[2].name} was altered after it was taken" in said
    rows = csv.DictReader(io.StringIO(report.sheet_csv(played)))
    state = [row["raw log"].split(". ")[0] for row in rows]
    assert state[0].endswith("is missing")
    assert state[1].endswith("its SHA-256 differs")
    assert state[2] == "as it was taken"
    sheet = json.loads(report.sheet_json(played))
    assert [(fault["pull"], fault["what"]) for fault in sheet["log_faults"]] == [(1, "missing"), (2, "altered")]


def test_that_pulls_leave_the_judged_range_out_is_said_once(
    folder: Path, job_text: str, pull_log: Callable[..., Path]
) -> None:
    (folder / "job.toml").write_text(job_text.replace("judge_from = 3900", "judge_from = 1500"), encoding="utf-8")
    with Session.open(folder) as session:
        for _ in range(3):
            run = session.job.settings_from_job(session.next_step().settings or {})
            session.add_pull(pull_log(run))
        step = session.next_step()
        assert step.codes[0] == "out of range"
        said = text_of(report.sheet_html(session))
        assert said.count(step.reasons[0]) == 1
        assert said.count("no deviation can be told") == 1
        for pull in session.pulls()[1:]:  # the reason for the settings stands there instead
            assert session.step(pull.step or 0).reasons[1] in said


def test_an_empty_job_has_a_sheet_too(make_played: Callable[..., Session]) -> None:
    said = text_of(report.sheet_html(make_played(pulls=0)))
    assert "No pull stands as good yet" in said
    assert "The job is not finished" in said


def test_no_script_and_nothing_from_elsewhere(make_played: Callable[..., Session]) -> None:
    session = make_played(name='<script>alert(1)</script>"')
    page = report.sheet_html(session)
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert re.findall(r'(?:src|href)="(?!#)', page) == []
    assert "url(http" not in page
    style = re.search(r"style-src '(sha256-[^']+)'", unescape(page))
    assert style is not None
    assert "unsafe" not in page


def test_csv_has_a_row_for_each_pull_and_carries_no_formula(make_played: Callable[..., Session]) -> None:
    session = make_played(name="=HYPERLINK(1)", pulls=2)
    session.withdraw(1, "@SUM(A1)")
    rows = list(csv.DictReader(io.StringIO(report.sheet_csv(session, clock=clock))))
    assert [row["pull"] for row in rows] == ["1", "2"]
    assert {row["job"] for row in rows} == {"'=HYPERLINK(1)"}
    assert rows[0]["withdrawn"] == "'@SUM(A1)"
    pull = session.pulls()[0]
    assert float(rows[1]["deviation [psi]"]) == pytest.approx(pull.deviation, abs=5e-5)  # four digits are written
    assert float(rows[1]["duty"]) == pull.settings["duty"]
    assert rows[1]["record digest"] == session.digest()


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1+2", "@A1", "\t=1", "\r=1", " =1", "|x", "＝1"])
def test_formulas_are_defused(cell: str) -> None:
    assert defused(cell) == f"'{cell}"


@pytest.mark.parametrize("cell", ["pull 1.csv", "", -1.5, 3, None, "a=b"])
def test_other_cells_stay(cell: object) -> None:
    assert defused(cell) == cell


def test_json_carries_everything(played: Session) -> None:
    sheet = json.loads(report.sheet_json(played, clock=clock))
    step = played.next_step()
    assert sheet["record_digest"] == played.digest()
    assert sheet["made"] == "2026-03-14T15:09:00"
    assert sheet["targets"]["target"]["step"]["verdict"] == step.verdict
    assert len(sheet["pulls"]) == len(played.pulls())
    assert sheet["pulls"][0]["boost"] == pytest.approx(played.pulls()[0].boost.tolist())
    assert sheet["conditions"]["intake_c"][0] <= sheet["conditions"]["intake_c"][1]


def test_files_and_their_names(played: Session, tmp_path: Path) -> None:
    assert report.write_report(played) == played.job.folder / "sheet.html"
    table = report.write_report(played, tmp_path / "out.csv", form="csv")
    assert table.read_bytes().startswith(b"\xef\xbb\xbf")  # so that a spreadsheet reads accents
    assert json.loads(report.write_report(played, form="json").read_text(encoding="utf-8"))["job"] == "Harbour hatch"
    with pytest.raises(ValueError, match=r"form: must be one of html, csv, json, but got 'pdf'"):
        report.write_report(played, form="pdf")
    with pytest.raises(ValueError, match="cannot be written"):
        report.write_report(played, tmp_path / "absent" / "sheet.html")


def contents(folder: Path) -> dict[Path, bytes]:
    return {file: file.read_bytes() for file in folder.rglob("*") if file.is_file()}


@pytest.mark.parametrize("form", report.FORMS)
def test_nothing_of_the_job_is_written_over(played: Session, form: str) -> None:
    folder, log = played.job.folder, played.pulls()[0]
    kept = next((folder / "logs").glob(f"{log.sha256}*"))
    (folder / "by another name").symlink_to(folder / "job.toml")
    (folder / "the same log").hardlink_to(kept)
    before = contents(folder)
    for file, words in (
        (folder / "job.toml", "is the job file"),
        (folder / "logs" / ".." / "job.toml", "is the job file"),
        (folder / "by another name", "is the job file"),
        (folder / "record.db", "is the job's record"),
        (folder / "record.lock", "is the job's record"),
        (folder / "record.db-journal", "is the job's record"),  # not there: the database would take it for its own
        (kept, "is among the job's raw logs"),
        (folder / "logs" / "sheet.html", "is among the job's raw logs"),
        (folder / "the same log", "is there already and is no"),
    ):
        with pytest.raises(report.ReportError) as fault:
            report.write_report(played, file, form=form)
        assert str(fault.value).startswith(f"{file}: {words}")
        assert "Name another file" in str(fault.value)
    assert contents(folder) == before


@pytest.mark.parametrize("form", report.FORMS)
def test_only_an_older_sheet_of_the_same_form_is_written_over(played: Session, tmp_path: Path, form: str) -> None:
    sheets = {each: report.write_report(played, tmp_path / f"out.{each}", form=each) for each in report.FORMS}
    sheets |= {"user's own": tmp_path / "notes.txt"}
    sheets["user's own"].write_text("valve lash, job, pull, record_digest\n", encoding="utf-8")
    before = contents(tmp_path)
    for each, file in sheets.items():
        if each != form:
            with pytest.raises(report.ReportError, match=f"is no {form.upper()} sheet that was written before"):
                report.write_report(played, file, form=form)
    assert contents(tmp_path) == before
    played.withdraw(1, "hose came off")
    report.write_report(played, sheets[form], form=form)
    assert "hose came off" in sheets[form].read_text(encoding="utf-8")
    empty = tmp_path / "empty"
    empty.touch()
    assert report.write_report(played, empty, form=form).stat().st_size > 0


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0, "under 0.3 %"),
        (0.0042, "0.4 %"),
        (0.12, "12 %"),
        (0.997, "99.7 %"),
        (0.9999, "over 99.9 %"),
        (float("nan"), "–"),
    ],
)
def test_risks_in_words(value: float, words: str) -> None:
    assert wording.risk(value) == words


@pytest.mark.parametrize(
    ("value", "allowed", "words"),
    [
        (0.0029, 0.05, "under 0.3 %"),
        (0.0002, 0.001, "under 0.03 %"),
        (0.0005, 0.001, "0.05 %"),
        (0.002, 0.005, "0.2 %"),
    ],
)
def test_no_less_risk_is_told_than_the_curves_drawn_for_it_can_tell(value: float, allowed: float, words: str) -> None:
    assert wording.risk(value, allowed) == words


def test_numbers_in_words() -> None:
    assert wording.pressure(-1.26, "psi") == "−1.3"
    assert wording.pressure(-0.01, "psi") == "0.0"
    assert wording.pressure(110.4, "kPa") == "110"
    assert wording.fine(0.038, "bar") == "0.038"
    assert wording.knob("engagement", 13.5, "psi") == "13.5 psi"
    assert wording.settings_line({"duty": 34.0, "gain": 0.0}, "psi", frozenset({"gain"})) == "Duty 34 %"


def test_guards_are_said_to_have_watched_the_logs_that_they_could_watch(
    folder: Path, job_text: str, pull_log: Callable[..., Path]
) -> None:
    """Lambda in every log, exhaust temperature in the second alone, knock in none."""
    guards = "lambda = { highest = 0.95 }\nexhaust_c = { highest = 930 }\nknock = { highest = 3 }\n"
    (folder / "job.toml").write_text(f"{job_text}\n[guards]\n{guards}", encoding="utf-8")
    rich = {"Lambda": lambda rpm: 0.8 + 0.0 * rpm}
    hot = {"Exhaust Gas Temp [°C]": lambda rpm: 700.0 + rpm / 100.0}
    with Session.open(folder) as session:
        assert "No log yet; to be watched: lambda at most 0.95; " in text_of(report.sheet_html(session))
        for more in (rich, rich | hot, rich):
            run = session.job.settings_from_job(session.next_step().settings or {})
            session.add_pull(pull_log(run, more=more))
        said = text_of(report.sheet_html(session))
        assert [each["watched"] for each in json.loads(report.sheet_json(session))["pulls"]] == [
            ["lambda"],
            ["lambda", "exhaust_c"],
            ["lambda"],
        ]
    assert "Watched in every log: lambda at most 0.95. " in said
    assert "exhaust_c at most 930: in 1 of 3 logs, not watched in pulls 1, 3. " in said
    assert "knock at most 3: in none of 3 logs, not watched. " in said
    tighter = guards.replace("0.95", "0.9")
    (folder / "job.toml").write_text(f"{job_text}\n[guards]\n{tighter}", encoding="utf-8")
    with Session.open(folder) as session:
        assert "lambda at most 0.9: in none of 3 logs, not watched. " in text_of(report.sheet_html(session))


def test_a_car_that_changed_is_told_on_the_sheet(played: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "seems to have changed" not in text_of(report.sheet_html(played))
    step = played.next_step()
    leak = "From pull 3 on boost comes later and lower: the mark of a boost leak."
    changed = dataclasses.replace(
        step, reasons=[*step.reasons, leak, leak], codes=[*step.codes, "changed leak", "changed leak"]
    )
    monkeypatch.setattr(played, "next_step", lambda _=None: changed)
    said = text_of(report.sheet_html(played))
    assert said.count(f"The car seems to have changed between pulls {leak}") == 1
    assert said.count(leak) == 1


def test_two_targets_tell_one_change_once(played: Session) -> None:
    """Their fits differ by little, the change is one; another cause, or another pull, is another thing."""
    cause = "From pull {} on the gate holds 25 % less boost than the pulls before it suggest (22 kPa at {} rpm)."
    evidence = "Pulls before {} no longer stand for the car as it is."
    codes = ["changed spring", "changed check", "changed evidence"]

    def step(pull: int, rpm: int, check: str = "Check the spring.", codes: list[str] = codes) -> Step:
        reasons = [cause.format(pull, rpm), check, evidence.format(pull)]
        return dataclasses.replace(played.next_step(), codes=codes, reasons=reasons)

    alone = step(7, 5700)
    assert noticed([alone, step(7, 5600)]) == alone.reasons
    assert noticed([alone, step(8, 5600)]) == [*alone.reasons, cause.format(8, 5600), evidence.format(8)]
    leak = step(7, 5600, "Check the clamps.", ["changed leak", *codes[1:]])
    assert noticed([alone, leak]) == [*alone.reasons, *leak.reasons[:2]]


def test_settings_that_stand_and_are_off_the_dial_are_told(
    folder: Path, job_text: str, pull_log: Callable[..., Path]
) -> None:
    """With the range of duty narrowed since, a job was done at duty 20 of 0 to 10 without a word."""
    text = job_text.replace("boost      = [8.0, 16.0, 16.0]", "boost      = [7.0, 10.4, 10.3]")
    (folder / "job.toml").write_text(text)
    with Session.open(folder) as session:
        for duty in (0, 20):
            log = pull_log(Settings(duty, 5000, 7000, 0, 0, 0))
            session.add_pull(log, {"duty": duty, "engagement": 0, "ramp_add": 0, "gain": 0})
        step = session.next_step()
        assert (step.verdict, step.best_pull, "off the dial" in step.codes) == ("done", 2, False)
    (folder / "job.toml").write_text(text.replace("upper = 90", "upper = 10").replace("step = 20", "step = 10"))
    told = "Duty 20 is not on the dial (0 to 10 in steps of 1): it stands as it was run in pull 2."
    with Session.open(folder) as session:
        step = session.next_step()
        assert (step.verdict, step.codes[1], step.reasons[1]) == ("done", "off the dial", told)
        assert f"its settings stand. {told}" in text_of(report.sheet_html(session, clock=clock))


def test_a_knob_that_the_job_lacks_is_on_the_sheet_where_a_pull_was_run_with_it(
    folder: Path, job_text: str, pull_log: Callable[..., Path]
) -> None:
    """The best settings were handed over without the gain that they had been run with."""
    (folder / "job.toml").write_text(job_text.split("[knobs.gain]")[0])
    with Session.open(folder) as session:
        settings = {"duty": 0, "engagement": 0, "gain": 2}
        session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)), settings)
        page = text_of(report.sheet_html(session, clock=clock))
    assert re.search(r"Engagement Gain .* 0 psi 2 ", page)
    assert "Engagement 0 psi, Gain 2 " in page
