"""The decision as an Optuna sampler: a study with pulls in, the next settings out.

    study = optuna.load_study(study_name="Harbour hatch", storage="sqlite:///record.db", sampler=TuningSampler())
    trial = study.ask()
    trial.params                  # the six knobs, as every trial of the record has them: engagement in kPa gauge
    trial.user_attrs["settings"]  # the same as they are dialled, in the job's unit

The settings are those that the session's next step gives for the same record, whatever range is asked for: range,
resolution and step cap are the job file's. All six are set when the trial begins.

What the verdict makes of it (``trial.user_attrs["verdict"]``):

* ``pull``, ``repeat``: the settings to run. Asking again before a pull was added gives the same ones.
* ``done``, ``out of reach``: the settings that stand, of the best pull so far. There is nothing to run.
* ``stop``, or an end without a pull that kept the limit: ``NothingToRun`` with the reasons. The trial that Optuna had
  begun is closed as failed, so that no objective ever sees it.

A pull counts once its log was added: a trial told a value by hand has no curve, and teaches nothing.
"""

# ruff: noqa: ARG002  # Optuna fixes the arguments
from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import optuna
from optuna.distributions import BaseDistribution
from optuna.samplers import BaseSampler
from optuna.study import Study
from optuna.trial import FrozenTrial, TrialState

from models.settings import Knob, Settings
from models.units import from_kpa
from recommender.decide import decide
from recommender.decide.step import Decision, Problem
from recommender.record import problem_of, snapshot_of
from recommender.record.stored import Stored
from recommender.record.trials import distributions
from recommender.session import history

#: Decimals to which a dial's ends are read back from whole pascals, by unit.
_DECIMALS: Final = {"psi": 3, "kPa": 3, "bar": 4}


class NothingToRun(RuntimeError):
    """The job has stopped, or has ended without settings that stand.

    Attributes:
        verdict: ``stop`` or ``out of reach``.
        reasons: Sentences, most important first.
    """

    def __init__(self, verdict: str, reasons: Sequence[str]) -> None:
        super().__init__(f"{verdict}: {' '.join(reasons)}")
        self.verdict = verdict
        self.reasons = tuple(reasons)


class TuningSampler(BaseSampler):
    """Next settings from the pulls of a study that a job's record was kept in.

    Args:
        target: Name of the target to tune for; the job's first where it is None.
    """

    def __init__(self, target: str | None = None) -> None:
        self.target = target

    def before_trial(self, study: Study, trial: FrozenTrial) -> None:
        """Decide, and give the trial its settings.

        Raises:
            NothingToRun: the verdict leaves nothing to run and no settings that stand.
            ValueError: the study is no record, has no such target, or the trial was enqueued with values.
        """
        try:
            self._begin(study, trial)
        except Exception:
            study.tell(trial.number, state=TrialState.FAIL)
            raise

    def _begin(self, study: Study, trial: FrozenTrial) -> None:
        if trial.system_attrs.get("fixed_params"):
            raise ValueError(
                "values were enqueued, but this sampler gives the settings that the job allows. "
                "Run other settings on the dyno and add their log: they are recorded as what they were."
            )
        try:
            problem = problem_of(study, self.target)
        except KeyError as error:
            advice = "Load the study of a job's record, and name a target of the job."
            raise ValueError(f"{error.args[0]}. {advice}") from None
        snapshot = snapshot_of(study)
        decision = decide(problem, history.observations(snapshot, problem))
        override = history.override(snapshot, problem, decision)
        verdict: str = override["verdict"] if override else decision.verdict
        told = _sentences(decision, override)
        settings = None if override and not override["runs"] else history.asked_for(snapshot, decision)
        if settings is None:
            raise NothingToRun(verdict, told)
        facts = {
            "kind": "asked",
            "verdict": verdict,
            "reasons": told,
            "settings": as_dialled(settings, problem),
            "pressure_unit": problem.pressure_unit,
            "risk": decision.risk,
            "expected_deviation_kpa": decision.deviation_kpa,
            "expected_peak_kpa": decision.peak_kpa,
        }
        _write(study, trial, settings, distributions(problem.knobs, settings), facts)

    def infer_relative_search_space(self, study: Study, trial: FrozenTrial) -> dict[str, BaseDistribution]:
        """Nothing is left to sample: the settings were given when the trial began."""
        return {}

    def sample_relative(
        self,
        study: Study,
        trial: FrozenTrial,
        search_space: dict[str, BaseDistribution],
    ) -> dict[str, Any]:
        """Nothing is left to sample."""
        return {}

    def sample_independent(
        self,
        study: Study,
        trial: FrozenTrial,
        param_name: str,
        param_distribution: BaseDistribution,
    ) -> Any:
        """Refuse a parameter that is no knob.

        Raises:
            ValueError: always; the knobs were given when the trial began.
        """
        raise ValueError(f"{param_name!r} is no knob of the job; it has {', '.join(trial.params)}")


def _sentences(decision: Decision, override: Stored | None) -> list[str]:
    first = [text for _, text in override["reasons"]] if override else []
    if override and override.get("withheld", False):
        return first
    return first + [reason.text for reason in decision.reasons]


def _write(
    study: Study,
    trial: FrozenTrial,
    settings: Settings,
    ranges: dict[str, BaseDistribution],
    facts: dict[str, Any],
) -> None:
    """Put settings and facts on a trial that has just begun, in the storage and in the caller's copy."""
    storage: optuna.storages.BaseStorage = study._storage
    for name, value in settings.as_dict().items():
        storage.set_trial_param(trial._trial_id, name, ranges[name].to_internal_repr(value), ranges[name])
        trial.params = {**trial.params, name: value}
        trial.distributions = {**trial.distributions, name: ranges[name]}
    for name, fact in facts.items():
        storage.set_trial_user_attr(trial._trial_id, name, fact)
        trial.user_attrs = {**trial.user_attrs, name: fact}


def as_dialled(settings: Settings, problem: Problem) -> dict[str, float]:
    """Settings in the job's unit, as the dial shows them."""
    values = settings.as_dict()
    values["engagement"] = _engagement(values["engagement"], problem.knobs["engagement"], problem.pressure_unit)
    return values


def _engagement(value_kpa: float, knob: Knob, unit: str) -> float:
    """Engagement in the job's unit: read off the dial's position; off the dial, converted as it is."""
    lower, upper = (round(float(from_kpa(end, unit)), _DECIMALS[unit]) for end in (knob.lower, knob.upper))
    index = int(knob.index(value_kpa))
    if abs(float(knob.value(index)) - value_kpa) > 1e-6:
        return round(float(from_kpa(value_kpa, unit)), 6)
    return lower if knob.fixed else round(lower + (upper - lower) * index / (knob.count - 1), 6)
