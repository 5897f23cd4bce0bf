"""The decision as an Optuna sampler, and Optuna's own tools on the record of a job."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import optuna
import pytest
from optuna.trial import TrialState

from models.settings import KNOB_NAMES, Settings
from models.units import from_kpa
from recommender.sampler import NothingToRun, TuningSampler
from recommender.session import PullRefused, Session

Write = Callable[..., Path]


def study_of(session: Session, **options: str) -> optuna.Study:
    """The record, loaded as anyone with Optuna would."""
    url = f"sqlite:///{session.job.folder / 'record.db'}"
    return optuna.load_study(study_name=None, storage=url, sampler=TuningSampler(**options))


def add(session: Session, pull_log: Write, settings: Settings, **options: object) -> None:
    session.add_pull(pull_log(settings, **options), settings=session.job.settings_to_job(settings))


BASELINE = Settings(0, 5000, 7000, 0, 0, 0)


def test_a_new_job_begins_with_the_baseline(session: Session) -> None:
    trial = study_of(session).ask()
    assert trial.user_attrs["verdict"] == "pull"
    assert list(trial.params) == list(KNOB_NAMES)
    assert trial.params["duty"] == trial.params["engagement"] == trial.params["gain"] == 0
    assert trial.user_attrs["settings"] == session.next_step().settings


@pytest.mark.parametrize(("unit", "scale"), [("psi", 1.0), ("kPa", 6.894757), ("bar", 0.06894757)])
def test_the_same_settings_as_the_session_gives(
    folder: Path, job_text: str, pull_log: Write, unit: str, scale: float
) -> None:
    """With two pulls on record; in the job's unit as they are dialled, and in kPa gauge as the record keeps them."""
    lines = job_text.replace('"psi"', f'"{unit}"').splitlines()
    limits = {
        "kPa": ("16.0", "110.0", "0.5", "2.5", "8.0", "50.0"),
        "bar": ("16.0", "1.10", "0.5", "0.05", "8.0", "0.5"),
    }
    table = lines.index("[knobs.engagement]")
    for i, line in enumerate(lines):
        if line.startswith(("boost ", "overpressure")):
            name, values = line.split("=")
            numbers = [float(each) * scale for each in values.strip(" []").split(",")]
            lines[i] = f"{name}= {numbers if name.startswith('boost') else numbers[0]}"
        if table < i < table + 5 and unit != "psi":
            upper, top, resolution, fine, step, stride = limits[unit]
            swap = {f"upper = {upper}": f"upper = {top}", f"resolution = {resolution}": f"resolution = {fine}"}
            lines[i] = {**swap, f"step = {step}": f"step = {stride}"}.get(line, line)
    (folder / "job.toml").write_text("\n".join(lines), encoding="utf-8")
    with Session.open(folder) as session:
        add(session, pull_log, BASELINE)
        add(session, pull_log, Settings(18, 5000, 7000, 0, session.job.dials["engagement"].knob.step, 0))
        step = session.next_step()
        assert step.settings is not None
        trial = study_of(session).ask()
        assert trial.user_attrs["settings"] == dict(step.settings)
        assert trial.user_attrs["pressure_unit"] == unit
        assert trial.user_attrs["verdict"] == step.verdict
        assert trial.user_attrs["risk"] == step.risk
        assert trial.user_attrs["reasons"] == step.reasons
        assert Settings.from_mapping(trial.params) == session.job.settings_from_job(step.settings)
        assert float(from_kpa(trial.params["engagement"], unit)) == pytest.approx(step.settings["engagement"], abs=2e-4)


def test_asking_again_gives_the_same_and_teaches_nothing(session: Session, pull_log: Write) -> None:
    add(session, pull_log, BASELINE)
    study = study_of(session)
    first, second = study.ask(), study.ask()
    assert first.params == second.params
    study.tell(first, 0.0)  # a value by hand is no pull
    assert study.ask().params == first.params
    assert len(session.pulls()) == 1
    assert session.next_step().settings == first.user_attrs["settings"]


def test_suggestions_give_the_settings_that_were_decided(session: Session) -> None:
    trial = study_of(session).ask({"duty": optuna.distributions.FloatDistribution(40, 60)})
    assert trial.params["duty"] == 0  # the job's range and step cap decide, not the range asked for
    assert trial.suggest_float("ramp_to", 5600, 7000) == trial.params["ramp_to"]
    with pytest.warns(RuntimeWarning, match="Inconsistent parameter values"):  # Optuna says that another range is void
        assert trial.suggest_float("ramp_add", 12, 20) == 0
    with pytest.raises(ValueError, match=r"'boost' is no knob of the job; it has duty, ramp_from"):
        trial.suggest_float("boost", 0, 1)


def test_the_settings_that_stand_once_the_job_is_done(session: Session, pull_log: Write) -> None:
    add(session, pull_log, BASELINE)
    for duty in (67, 63):  # what the plain car needs for 16 psi, and then less
        add(session, pull_log, Settings(duty, 5000, 7000, 0, 55.1581, 0))
    step = session.next_step()
    assert step.verdict == "done"
    assert step.best_pull == 2
    trial = study_of(session).ask()
    assert trial.user_attrs["verdict"] == step.verdict
    assert step.best_settings is not None
    assert trial.user_attrs["settings"] == dict(step.best_settings)


def test_a_stop_is_an_error_before_any_trial_runs(session: Session, pull_log: Write) -> None:
    add(session, pull_log, BASELINE, spring_kpa=140.0)
    study = study_of(session)
    begun: list[int] = []

    def objective(trial: optuna.Trial) -> float:
        begun.append(trial.number)
        return 0.0

    with pytest.raises(
        NothingToRun, match=r"^stop: Pull 1 reached 20\.\d psi on the spring alone; the limit is 19"
    ) as it:
        study.optimize(objective, n_trials=3)
    assert begun == []
    assert it.value.verdict == "stop"
    assert session.next_step().reasons == list(it.value.reasons)
    assert [trial.state for trial in study.trials] == [TrialState.COMPLETE, TrialState.FAIL]


def test_a_guard_holds_the_sampler_up_as_it_does_the_session(folder: Path, job_text: str, pull_log: Write) -> None:
    (folder / "job.toml").write_text(job_text + "\n[guards]\nexhaust_c = { highest = 930 }\n")
    with Session.open(folder) as session:
        add(session, pull_log, BASELINE, more={"EGT [°C]": lambda rpm: rpm * 0 + 960.0})
        assert session.next_step().verdict == "stop"
        with pytest.raises(NothingToRun, match=r"stop: Pull 1: .*above its guard of 930"):
            study_of(session).ask()
        session.acknowledge(1, "probe was loose")
        assert study_of(session).ask().user_attrs["settings"] == session.next_step().settings


def test_a_refused_log_is_repeated(session: Session, pull_log: Write) -> None:
    add(session, pull_log, BASELINE)
    proposed = session.next_step()
    assert proposed.settings is not None
    with pytest.raises(PullRefused):
        session.add_pull(pull_log(session.job.settings_from_job(proposed.settings), pinned_kpa=60.0))
    trial = study_of(session).ask()
    assert trial.user_attrs["verdict"] == session.next_step().verdict == "repeat"
    assert trial.user_attrs["settings"] == dict(proposed.settings)


def test_values_of_ones_own_are_not_enqueued(session: Session) -> None:
    study = study_of(session)
    study.enqueue_trial({"duty": 80.0})
    with pytest.raises(
        ValueError, match="values were enqueued, but this sampler gives the settings that the job allows"
    ):
        study.ask()


def test_any_other_study_is_refused() -> None:
    with pytest.raises(ValueError, match=r"is no record of pulls: .* Load the study of a job's record"):
        optuna.create_study(sampler=TuningSampler()).ask()


def test_a_target_by_name(session: Session) -> None:
    name = session.job.first_target
    assert study_of(session, target=name).ask().params == study_of(session).ask().params
    with pytest.raises(ValueError, match=rf"has no target 'night'\. It has: {name}\. .* name a target of the job\."):
        study_of(session, target="night").ask()


def test_optunas_own_tools_read_the_job(session: Session, pull_log: Write) -> None:
    for number, duty in enumerate((0.0, 20.0, 85.0, 24.0)):
        add(session, pull_log, Settings(duty, 5000, 7000, 0, number * 6.89476, 0))
    study = study_of(session)
    study.ask()
    frame = study.trials_dataframe()
    assert list(frame["state"]) == ["COMPLETE"] * 4 + ["RUNNING"]
    assert list(frame["params_duty"][:4]) == [0, 20, 85, 24]
    peaks = [pull.peak - pull.limit for pull in session.pulls()]
    assert peaks[2] > 0 > max(peaks[0], peaks[1], peaks[3])  # one passed the limit
    inside = [pull.number for pull in session.pulls() if pull.margin > 0]
    best = min((pull for pull in session.pulls() if pull.number in inside), key=lambda pull: pull.deviation)
    assert study.best_trial.user_attrs["number"] == best.number  # the constraint counts
    importance = optuna.importance.get_param_importances(
        study, evaluator=optuna.importance.PedAnovaImportanceEvaluator()
    )
    assert max(importance, key=lambda name: importance[name]) in ("duty", "engagement")
    lines = optuna.visualization.plot_intermediate_values(study).data
    assert len(lines) == 4
    assert min(lines[0].x) < 3000 < 6500 < max(lines[0].x)
    assert optuna.visualization.plot_slice(study, params=["duty"]).data
    assert optuna.visualization.plot_optimization_history(study).data
