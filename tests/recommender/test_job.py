"""The job file: what it gives, and what its errors say."""

from __future__ import annotations

import dataclasses
import json
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.settings import KNOB_NAMES, Settings
from models.units import from_kpa, to_kpa
from recommender.job import Job, JobError
from recommender.job.schema import ChannelTable, GuardTables, LogTable, keys_of
from recommender.job.template import write_template
from recommender.job.toml_lines import key_lines
from recommender.logs import ROLES, FinderOptions
from recommender.logs.options import GUARD_ROLES

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"
#: Pascal in one psi, NIST SP 811 Appendix B.
PSI_KPA = 6.894757293


def load(folder: Path, text: str) -> Job:
    file = folder / "job.toml"
    file.write_text(text, encoding="utf-8")
    return Job.load(file)


def fault(folder: Path, text: str) -> str:
    with pytest.raises(JobError) as caught:
        load(folder, text)
    return str(caught.value)


def swap(text: str, old: str, new: str) -> str:
    assert text.count(old) >= 1, old
    return text.replace(old, new, 1)


def test_the_job_of_the_design_gives_what_it_says(job_text: str, tmp_path: Path) -> None:
    job = load(tmp_path, job_text)
    assert job.name == "Harbour hatch"
    assert job.limit == 19.0
    assert not job.limit_is_default
    wanted = job.wanted()
    assert (wanted.judge_from, wanted.judge_to) == (3900, 6700)
    # Held to a whole pascal: half a pascal is the most it may be off.
    assert wanted.target.boost_kpa == pytest.approx([8 * PSI_KPA, 16 * PSI_KPA, 16 * PSI_KPA], abs=5.1e-4)
    assert wanted.tolerance == pytest.approx(0.4, abs=1e-6)
    problem = job.problem()
    assert problem.limit_kpa == pytest.approx(19 * PSI_KPA, abs=5.1e-4)
    assert list(problem.knobs) == list(KNOB_NAMES)
    duty = problem.knobs["duty"]
    assert (duty.lower, duty.upper, duty.resolution, duty.step) == (0, 90, 1, 20)


def test_a_job_with_duty_alone_is_a_controller_without_the_other_knobs(job_text: str, tmp_path: Path) -> None:
    job = load(tmp_path, job_text.split("[knobs.ramp_from]")[0])
    assert [name for name, dial in job.dials.items() if dial.absent] == list(KNOB_NAMES[1:])
    assert all(job.dials[name].fixed for name in KNOB_NAMES[1:])
    assert job.dials["ramp_add"].lower == 0
    assert job.dials["ramp_from"].lower < job.dials["ramp_to"].lower
    assert any("no table for ramp_from, ramp_to, ramp_add, engagement, gain" in remark for remark in job.remarks)


def test_a_controller_without_ramp_may_fix_all_its_parts_at_zero(job_text: str, tmp_path: Path) -> None:
    head, tail = job_text.split("[knobs.ramp_from]")[0], "[knobs.engagement]" + job_text.split("[knobs.engagement]")[1]
    fixed = "".join(f"[knobs.{name}]\nfixed = 0\n\n" for name in ("ramp_from", "ramp_to", "ramp_add"))
    job = load(tmp_path, head + fixed + tail)
    assert job.dials["ramp_to"].knob.fixed
    assert not job.dials["ramp_to"].absent


def test_the_default_limit_is_three_psi_above_the_highest_target_and_is_told(job_text: str, tmp_path: Path) -> None:
    # 3 psi above the target: common practice, outside-checks row 44.
    for unit, factor in (("psi", 1.0), ("kPa", PSI_KPA), ("bar", PSI_KPA / 100)):
        points = ", ".join(f"{boost * factor:.6f}" for boost in (8, 16, 16))
        text = job_text.split("[limit]")[0] + "[knobs.duty]\nlower=0\nupper=90\nresolution=1\nstep=20\n"
        text = swap(swap(text, "[8.0, 16.0, 16.0]", f"[{points}]"), '"psi"', f'"{unit}"')
        job = load(tmp_path, text)
        assert job.limit_is_default
        assert job.limit == pytest.approx(19 * factor, abs=2e-3 * factor)
        assert any("no overpressure limit" in remark and "3 psi" in remark for remark in job.remarks)


def test_judged_range_defaults_to_the_plateau(job_text: str, tmp_path: Path) -> None:
    text = "\n".join(line for line in job_text.splitlines() if not line.startswith("judge_"))
    wanted = load(tmp_path, text).wanted()
    assert (wanted.judge_from, wanted.judge_to) == (3900, 6800)


def in_unit(text: str, unit: str, digits: int) -> str:
    """The psi job rewritten in another unit with so many decimals, as a user would."""
    parsed = tomllib.loads(text)

    def convert(value: float) -> str:
        return f"{float(from_kpa(to_kpa(value, 'psi'), unit)):.{digits}f}"

    out = swap(text, 'pressure = "psi"', f'pressure = "{unit}"')
    out = swap(out, "[8.0, 16.0, 16.0]", f"[{', '.join(convert(each) for each in parsed['target']['boost'])}]")
    out = swap(out, "overpressure = 19.0", f"overpressure = {convert(19.0)}")
    before, after = out.split("[knobs.engagement]")
    for key in ("upper", "resolution", "step"):
        value = parsed["knobs"]["engagement"][key]
        after = swap(after, f"{key} = {value}", f"{key} = {convert(value)}")
    return f"{before}[knobs.engagement]{after}"


@pytest.mark.parametrize(("unit", "digits"), [("kPa", 3), ("kPa", 9), ("bar", 5), ("bar", 11)])
def test_psi_kpa_and_bar_jobs_are_the_same_problem_to_the_last_bit(
    job_text: str, tmp_path: Path, unit: str, digits: int
) -> None:
    psi, other = load(tmp_path, job_text).problem(), load(tmp_path, in_unit(job_text, unit, digits)).problem()
    assert other.limit_kpa == psi.limit_kpa
    assert np.array_equal(other.target.boost_kpa, psi.target.boost_kpa)
    assert other.tolerance_kpa == psi.tolerance_kpa
    assert other.seed == psi.seed
    assert dict(other.knobs) == dict(psi.knobs)


@pytest.mark.parametrize("unit", ["psi", "kPa", "bar"])
def test_settings_go_out_and_come_back_as_dialled(job_text: str, tmp_path: Path, unit: str) -> None:
    job = load(tmp_path, in_unit(job_text, unit, 8))
    engagement = job.dials["engagement"]
    for index in range(engagement.knob.count):
        inside = float(engagement.knob.value(index))
        dialled = engagement.to_job(inside)
        # 1e-5 of the job's unit: six decimals are shown, and the file's own values were given to eight.
        assert dialled == pytest.approx(float(from_kpa(to_kpa(0.5 * index, "psi"), unit)), abs=1e-5)
        assert engagement.from_job(dialled) == inside
        assert engagement.on_dial(dialled)


def test_settings_off_the_dial_are_converted_as_they_are(job_text: str, tmp_path: Path) -> None:
    job = load(tmp_path, job_text)
    inside = job.settings_from_job(
        {"duty": 20.5, "ramp_from": 5000, "ramp_to": 7000, "ramp_add": 0, "engagement": 8.3, "gain": 0}
    )
    assert inside.duty == 20.5
    assert inside.engagement == pytest.approx(8.3 * PSI_KPA, abs=1e-6)
    assert job.settings_to_job(inside)["engagement"] == pytest.approx(8.3, abs=1e-6)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('pressure = "psi"', 'pressure = "PSI"', ["line 2", 'pressure = "PSI"', 'Did you mean "psi"', '"bar"']),
        ("overpressure = 19.0", "overpressure = 15.0", ["line 11", "= 15 must", "above the highest target, 16 psi"]),
        ("resolution = 1\n", "resolution = 7\n", ["line 17", "= 7 must divide the range 0 to 90", "upper = 84"]),
        ("resolution = 1\n", "resolution = 1e-9\n", ["line 17", "= 1e-09 is too fine", "at least 0.0009"]),
        ("resolution = 1\n", "resolution = 2e-307\n", ["line 17", "= 2e-307 is too fine", "at least 0.0009"]),
        ("step = 20", "stpe = 20", ["line 18", "stpe = 20", 'Did you mean "step"']),
        ("step = 20\n", "", ["line 14", "knobs.duty lacks step", "or fixed alone"]),
        ("step = 20", "step = 0.5", ["line 18", "at least one resolution, 1"]),
        ("step = 20", "step = 20\nfixed = 3", ["line 19", "stands beside lower, upper, resolution, step"]),
        ("upper = 90", "upper = 190", ["line 16", "= 190", "between 0 and 100 %"]),
        ("upper = 90", "upper = 0", ["line 16", "above lower", "fixed = 0"]),
        ("upper = 90", 'upper = "90"', ["line 16", "number without quotes"]),
        ("upper = 90", "upper = true", ["line 16", "= true", "number"]),
        ("upper = 90", "upper = inf", ["line 16", "finite"]),
        ("[knobs.gain]", "[knobs.gian]", ["line 44", "knobs.gian", 'Did you mean "gain"']),
        ("[target]", "[targte]", ["line 4", 'Did you mean "target"']),
        ("risk = 0.01", "risk = 1.5", ["line 12", "limit.risk = 1.5", "at most 0.2"]),
        ("risk = 0.01", "risk = 0,01", ["line 12", "not sound TOML", "point for decimals"]),
        ("judge_from = 3900", "judge_from = 6900", ["line 7", "6900 to 6700", "judge_from below judge_to"]),
        ("judge_from = 3900", "judge_from = 6300", ["too little to judge", "6300 to 6700", "500 rpm wide or wider"]),
        ("overpressure = 19.0", "overpressure = 16.0", ["line 11", "= 16 must", "above the highest target, 16 psi"]),
        ("overpressure = 19.0", "overpressure = 130.0", ["line 11", "= 130 must", "at most 87 psi", "the unit meant"]),
        ("risk = 0.01", "risk = 0.0", ["line 12", "limit.risk = 0", "above 0"]),
        ("judge_to   = 6700", "judge_to   = 6700\ntolerance = 0", ["line 9", "target.tolerance = 0", "above 0"]),
        ("[2600, 3900, 6800]", "[2600, 6800, 3900]", ["line 5", "must rise from point to point. Sort the points."]),
        (
            "[2600, 3900, 6800]",
            "[2600, 3900, 3900]",
            ["line 5", "two points stand at 3900. Put the second a little higher, for example at 3950."],
        ),
        ("[8.0, 16.0, 16.0]", "[8.0, 16.0]", ["line 6", "3 rpm, but 2 boost"]),
        ("[8.0, 16.0, 16.0]", '[8.0, "16", 16.0]', ["line 6", "target.boost, value 2", "number without quotes"]),
        ('pressure = "psi"', 'pressure = "bar"', ["line 6", "at most 5 bar", 'pressure = "bar" the unit meant']),
        ('name = "Harbour hatch"\n', "", ["name is missing"]),
        ("upper = 16.0", "upper = 1600.0", ["engagement.upper", "between 0 and 72.519 psi"]),
    ],
)  # fmt: skip
def test_an_error_says_line_value_what_is_allowed_and_what_to_change(
    job_text: str, tmp_path: Path, old: str, new: str, words: list[str]
) -> None:
    said = fault(tmp_path, swap(job_text, old, new))
    assert said.startswith("job.toml, line ")
    for word in words:
        assert word in said


def test_a_ramp_that_cannot_begin_before_it_ends_is_refused(job_text: str, tmp_path: Path) -> None:
    said = fault(tmp_path, swap(swap(job_text, "lower = 5600", "lower = 1000"), "upper = 7000", "upper = 3000"))
    assert "line 21: knobs.ramp_from.lower = 3000" in said
    assert "below ramp_to, which goes up to 3000 rpm" in said
    add = job_text[job_text.index("lower = 0\nupper = 30") : job_text.index("\n\n[knobs.engagement]")]
    still = swap(job_text, add, "fixed = 5")  # a ramp that stands still is one all the same
    said = fault(tmp_path, swap(swap(still, "lower = 5600", "lower = 1000"), "upper = 7000", "upper = 3000"))
    assert "below ramp_to, which goes up to 3000 rpm" in said


def test_a_step_is_cut_to_whole_resolutions_and_to_the_range(job_text: str, tmp_path: Path) -> None:
    """Never up: the step is the most that one pull may change."""
    for step, kept in (("1.7", 1.0), ("20.9", 20.0), ("500", 90.0)):
        assert load(tmp_path, swap(job_text, "step = 20", f"step = {step}")).dials["duty"].knob.step == kept


def test_the_narrowest_judged_range_that_is_taken(job_text: str, tmp_path: Path) -> None:
    wanted = load(tmp_path, swap(job_text, "judge_from = 3900", "judge_from = 6200")).wanted()
    assert (wanted.judge_from, wanted.judge_to) == (6200, 6700)


def test_all_faults_of_meaning_are_told_at_once_in_the_order_of_the_file(job_text: str, tmp_path: Path) -> None:
    text = swap(swap(job_text, "overpressure = 19.0", "overpressure = 1.0"), "resolution = 1\n", "resolution = 7\n")
    with pytest.raises(JobError) as caught:
        load(tmp_path, text)
    assert [sentence.split(":")[0] for sentence in caught.value.faults] == ["job.toml, line 11", "job.toml, line 17"]


def test_files_that_are_no_text_are_told_apart(tmp_path: Path, job_text: str) -> None:
    file = tmp_path / "job.toml"
    file.write_bytes(job_text.replace("hatch", "hätch").encode("latin-1"))
    with pytest.raises(JobError, match=r"job.toml, line 1: byte 0xe4 is not UTF-8. Save the file as UTF-8"):
        Job.load(file)
    file.write_bytes(b"\xef\xbb\xbf" + job_text.replace("\n", "\r\n").encode())
    assert Job.load(file).name == "Harbour hatch"  # a byte-order mark and foreign line ends do no harm


def test_a_folder_is_a_job_when_it_holds_one(tmp_path: Path, job_text: str) -> None:
    with pytest.raises(JobError, match=r"holds no job file. `nextpull new"):
        Job.load(tmp_path)
    (tmp_path / "road.toml").write_text(job_text)
    assert Job.load(tmp_path).path.name == "road.toml"
    (tmp_path / "track.toml").write_text(job_text)
    with pytest.raises(JobError, match=r"holds road.toml, track.toml, and none is job.toml"):
        Job.load(tmp_path)
    with pytest.raises(JobError, match=r"no such job file or folder"):
        Job.load(tmp_path / "nowhere")


def test_the_template_loads_and_is_never_written_over(tmp_path: Path) -> None:
    file = write_template(tmp_path / 'My "hatch"', None)
    job = Job.load(file)
    assert job.name == 'My "hatch"'
    assert not job.remarks
    file.write_text("mine")
    with pytest.raises(JobError, match=r"exists already and is left as it is"):
        write_template(file.parent)
    assert file.read_text() == "mine"


def test_a_folder_whose_name_is_not_utf_8_gets_a_job_file(tmp_path: Path) -> None:
    assert Job.load(write_template(tmp_path / "h\udcfctte")).name == "h?tte"


@pytest.mark.parametrize("name", ["  ", "a\nb", "a\x1b[31mb", "x" * 121])
def test_a_name_that_no_job_can_have_is_refused_before_a_file_is_written(tmp_path: Path, name: str) -> None:
    """`new` wrote a job file that `check` then found at fault."""
    with pytest.raises(JobError, match="name: must be one line of up to 120 letters and signs"):
        write_template(tmp_path / "hatch", name)
    assert not (tmp_path / "hatch").exists()


@pytest.mark.parametrize(
    ("folder", "name"), [("a\nb", "a b"), ("a\u200db", "a\u200db"), ("x" * 130, "x" * 120), (" ", "My job")]
)
def test_a_folders_name_is_made_a_jobs(tmp_path: Path, folder: str, name: str) -> None:
    assert Job.load(write_template(tmp_path / folder)).name == name


def test_the_command_that_makes_a_job_can_be_pasted_into_a_shell(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"`nextpull new '.*/my hatch'` makes one"):
        Job.load(tmp_path / "my hatch")


def test_a_template_that_does_not_fit_on_the_disk_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An empty job.toml had stayed, which the next try would not write over."""

    def full(*_: object, **__: object) -> int:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "write_text", full)
        with pytest.raises(JobError, match=r"job\.toml: cannot be written: No space left on device\. Make room there"):
            write_template(tmp_path / "hatch")
    assert write_template(tmp_path / "hatch").stat().st_size > 1000


def test_several_targets_share_knobs_and_limit(tmp_path: Path, job_text: str) -> None:
    table = job_text.split("[target]")[1].split("[limit]")[0]
    rain = table.replace("16.0", "12.0")
    text = job_text.replace(f"[target]{table}", f"[targets.track]{table}[targets.rain]{rain}")
    job = load(tmp_path, text)
    assert list(job.targets) == ["track", "rain"]
    assert job.first_target == "track"
    track, wet = job.problem("track"), job.problem("rain")
    assert track.limit_kpa == wet.limit_kpa
    assert float(wet.target.boost_kpa.max()) == pytest.approx(12 * PSI_KPA, abs=5.1e-4)
    assert track.seed != wet.seed
    # Without a limit in the file it stands 3 psi above the higher of the two.
    assert load(tmp_path, swap(text, "overpressure = 19.0\n", "")).limit == pytest.approx(19.0)
    with pytest.raises(JobError, match=r'no target "rian"\. Did you mean "rain"'):
        job.problem("rian")
    assert "stands beside [target]" in fault(tmp_path, text + "\n[target]\nrpm=[1000,2000]\nboost=[1,2]\n")


def test_channels_guards_and_log_take_the_names_that_the_log_intake_knows() -> None:
    own = {"boost_is", "boost_unit", "rate_hz", "stoichiometric", "gauge_lag_s", "barometer_kpa"}
    assert {name.rstrip("_") for name in ROLES} == set(keys_of(ChannelTable)) - own
    assert {name.rstrip("_") for name in GUARD_ROLES} == set(keys_of(GuardTables))
    assert {field.name for field in dataclasses.fields(FinderOptions)} == set(keys_of(LogTable))


def test_guards_and_channels_are_checked(tmp_path: Path, job_text: str) -> None:
    job = load(
        tmp_path, job_text + '\n[guards]\nlambda = { highest = 0.86 }\n[channels]\nlambda = "AFR"\nrpm = "RPM"\n'
    )
    assert job.guards == {"lambda": {"highest": 0.86}}
    assert job.channels["lambda"] == "AFR"
    assert "needs a bound" in fault(tmp_path, job_text + "\n[guards]\nknock = {}\n")
    level = "\n[guards]\nlambda = { lowest = 0.9, highest = 0.9 }\n"
    assert "must be below highest, 0.9" in fault(tmp_path, job_text + level)
    said = fault(tmp_path, job_text + "\n[guards]\nlamda = { highest = 0.86 }\n")
    assert "line 51: guards.lamda" in said
    assert 'Did you mean "lambda"' in said
    assert "must be one of Pa, hPa" in fault(tmp_path, job_text + '\n[channels]\nboost_unit = "PSIG"\n')


def test_lines_are_found_behind_arrays_strings_and_remarks() -> None:
    text = 'a = [1, # ]\n 2]\nb = """\n[not.a.table]\n"""\n[x."y.z"] # t\nc = { d = 1, e = "}" }\nf = 3\n'
    tomllib.loads(text)  # what is read here is sound TOML
    lines = key_lines(text)
    assert lines[("a",)] == 1
    assert lines[("b",)] == 3
    assert lines[("x", "y.z")] == 6
    assert lines[("x", "y.z", "c", "e")] == 7
    assert lines[("x", "y.z", "f")] == 8
    assert ("not", "a", "table") not in lines


@pytest.mark.parametrize("file", sorted(JOBS.glob("*.toml")), ids=lambda file: file.stem)
def test_the_jobs_kept_as_fixtures_load(file: Path) -> None:
    job = Job.load(file)
    idle = Settings(*(dial.knob.lower for dial in job.dials.values()))
    assert job.settings_from_job(job.settings_to_job(idle)) == idle


@pytest.mark.parametrize("file", sorted((JOBS / "broken").glob("*.toml")), ids=lambda file: file.stem)
def test_the_broken_jobs_kept_as_fixtures_say_what_is_wrong(file: Path) -> None:
    told = file.read_text(encoding="utf-8").splitlines()[0].removeprefix("# ")
    with pytest.raises(JobError) as caught:
        Job.load(file)
    assert told in str(caught.value)


VALUES = st.one_of(
    st.integers(-(10**9), 10**9),
    st.floats(allow_nan=True, allow_infinity=True),
    st.booleans(),
    st.text(max_size=5),
    st.lists(st.one_of(st.integers(-5, 9000), st.floats(-10, 9000), st.text(max_size=2)), max_size=4),
)


def toml_of(value: object) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else str(value)
    if isinstance(value, list):
        return f"[{', '.join(toml_of(each) for each in value)}]"
    return json.dumps(value)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_whatever_is_changed_the_answer_is_a_job_or_a_worded_error(
    data: st.DataObject, tmp_path: Path, job_text: str
) -> None:
    lines = job_text.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[place].partition("=")
        kind = data.draw(st.sampled_from(["value", "drop", "twice", "text"]))
        if kind == "value" and equals:
            lines[place] = f"{key}= {toml_of(data.draw(VALUES))}"
        elif kind == "drop":
            lines[place] = ""
        elif kind == "twice":
            lines.insert(place, lines[data.draw(st.integers(0, len(lines) - 1))])
        else:
            lines[place] = data.draw(st.text(max_size=12))
    told = ""
    try:
        job = load(tmp_path, "\n".join(lines))
    except JobError as error:
        told = str(error)
    if told:
        assert told.startswith("job.toml, l")  # a line of this file, or its last line
        return
    problem = job.problem()
    assert problem.limit_kpa > float(problem.target.boost_kpa.max())
    assert 0 < problem.risk < 1
    for name, knob in problem.knobs.items():
        top = float(knob.value(knob.count - 1))
        assert knob.lower <= top <= knob.upper + 1e-6
        if not knob.fixed:
            assert job.dials[name].from_job(job.dials[name].to_job(top)) == pytest.approx(top, abs=1e-6)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"Harbour hatch"', '"   "', 'line 1: name = "   " must not be blank.'),
        ('"Harbour hatch"', '"\\u200B\\nx"', 'line 1: name = "\\u200b\\nx" must be one line of text'),
        ('"Harbour hatch"', '"red \\u001B[31m car"', 'line 1: name = "red \\x1b[31m car" must be one line of text'),
        ("[target]", '[targets."a\\u001Bb"]', "must be one line of text, without control signs"),
        ("[target]", '[targets." "]', "must not be blank"),
        ("[limit]", '[record]\nstudy = "a\\tb"\n[limit]', "record.study = "),
        ('pressure = "psi"', '"pres\\u001Bsure" = "psi"', 'pres\\x1bsure = "psi" is not a key here'),
    ],
)
def test_names_are_one_line_that_steers_no_terminal(
    job_text: str, tmp_path: Path, old: str, new: str, words: str
) -> None:
    text = fault(tmp_path, swap(job_text, old, new))
    assert words in text
    assert text.replace("\n", "").isprintable()


@pytest.mark.parametrize("name", ["Müde Ente, 2. Gang", "赤い車", "Hatch\u00a0two", "\U0001f468\u200d\U0001f527"])
def test_names_of_any_language_are_taken(job_text: str, tmp_path: Path, name: str) -> None:
    assert load(tmp_path, swap(job_text, "Harbour hatch", name)).name == name


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("overpressure = 19.0", "overpressure = 1e308", "limit.overpressure = 1e+308 must be at most"),
        ("[8.0, 16.0, 16.0]", "[8.0, 16.0, 1e308]", "target.boost = [8.0, 16.0, 1e+308] must be at most"),
        ("judge_to   = 6700", "tolerance = 1e308", "target.tolerance = 1e+308 must be above 0 and at most"),
        ("[2600, 3900, 6800]", "[-1e308, 3900, 1e308]", "must lie between 300 and 20000 rpm"),
        ("upper = 16.0", "upper = 1e308", "knobs.engagement"),
    ],
)
def test_numbers_out_of_all_bounds_are_told_without_a_warning(
    job_text: str, tmp_path: Path, old: str, new: str, words: str
) -> None:
    assert words in fault(tmp_path, swap(job_text, old, new))  # a warning is an error in tests


def test_a_risk_that_no_number_of_curves_can_tell_is_said(job_text: str, tmp_path: Path) -> None:
    job = load(tmp_path, swap(job_text, "risk = 0.01", "risk = 0.0004"))
    assert job.risk == 0.0004
    assert any("less than 0.1 % cannot be told" in words for words in job.remarks)
    assert not any("cannot be told" in words for words in load(tmp_path, job_text).remarks)
