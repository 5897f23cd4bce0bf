"""The bench itself: it runs end to end, keeps caps and limit, and counts as it says."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from models.settings import KNOB_NAMES, Settings
from models.units import FloatArray
from recommender.decide import expected_improvement
from tests.fleet import __main__ as bench
from tests.fleet import ablation, clairvoyant, methods, rivals
from tests.fleet.clairvoyant import Truth, cause_of, reach, steps_to, truths
from tests.fleet.figures import Noticed, broken_bound, figures, first_there, noticed
from tests.fleet.held import held_run
from tests.fleet.play import Game, play
from tests.fleet.rows import rows_of
from tests.fleet.scenarios import PLAIN, SCENARIOS
from tests.fleet.seats import PSI, Job, jobs_named, pull_all, roster
from tests.fleet.thumb import capped

CARS = [("own: plain controller", 1), ("other: free", 1)]
MOST = 4


@pytest.fixture(scope="module")
def jobs() -> list[Job]:
    return jobs_named(CARS)


@pytest.fixture(scope="module")
def tool(jobs: list[Job]) -> list[Game]:
    return play(jobs, methods.ask_tool, most=MOST)


def kept(game: Game) -> bool:
    """Whether every step of a job kept range, resolution and step."""
    for before, turn in zip([None, *game.turns[:-1]], game.turns, strict=True):
        for name in KNOB_NAMES:
            knob, value = game.job.knobs[name], getattr(turn.settings, name)
            index = int(knob.index(value))
            if abs(float(knob.value(index)) - value) > 1e-9:
                return False
            if before is not None:
                low, high = knob.index_span(getattr(before.settings, name))
                if not low <= index <= high:
                    return False
    return True


def test_tool_keeps_limit_caps_and_resolution(tool: list[Game]) -> None:
    assert all(kept(game) for game in tool)
    assert all(turn.pull.true_peak_kpa <= game.job.limit_kpa for game in tool for turn in game.turns[1:])


def test_tool_comes_nearer_than_its_baseline(tool: list[Game]) -> None:
    for game in tool:
        deviations = [turn.pull.true_deviation_kpa(game.job.target) for turn in game.turns]
        assert min(deviations[1:]) < 0.5 * deviations[0], game.job.name


@pytest.mark.parametrize("name", ["rule of thumb", "Optuna TPE", "plain GP"])
def test_rivals_keep_caps_and_resolution(name: str, jobs: list[Job]) -> None:
    if methods.missing(name):
        pytest.skip(methods.missing(name))
    games = play(jobs[1:], methods.method_named(name, {}), most=3)
    assert all(kept(game) and len(game.turns) >= 2 for game in games)


def test_a_rival_gives_the_same_answer_again(jobs: list[Job]) -> None:
    game = play(jobs[1:], methods.method_named("Optuna TPE", {}), most=3)[0]
    again = rivals.optuna_sampler("TPE", game.job, game.turns)
    assert again == rivals.optuna_sampler("TPE", game.job, game.turns)


def test_lock_step_changes_nothing(jobs: list[Job]) -> None:
    """A car pulled alone and in company gives one result."""
    settings = [capped(job, job.idle, {**job.idle.as_dict(), "duty": 20.0}) for job in jobs]
    together = pull_all(jobs, settings, [2] * len(jobs))
    for job, dialled, pull in zip(jobs, settings, together, strict=True):
        alone = pull_all([job], [dialled], [2])[0]
        np.testing.assert_allclose(alone.true_boost_kpa, pull.true_boost_kpa, atol=0.05)


def test_clairvoyant_finds_what_the_caps_allow(
    jobs: list[Job], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its best is under the limit, better than anything drawn at random, and reached in the pulls it names."""
    monkeypatch.setenv("NEXTPULL_BENCH_CACHE", str(tmp_path))
    monkeypatch.setattr(clairvoyant, "ROUNDS", 8)
    job = jobs[1]
    truth = truths([job])[0]
    assert truths([job])[0] == truth  # second time from the cache
    random = np.random.default_rng(3)
    draws = [
        Settings(*(float(job.knobs[name].value(random.integers(job.knobs[name].count))) for name in KNOB_NAMES))
        for _ in range(100)
    ]
    draws = [s for s in draws if s.ramp_from < s.ramp_to]
    pulls = pull_all([job] * len(draws), draws, [99] * len(draws), repeatable=True)
    allowed = [p.true_deviation_kpa(job.target) for p in pulls if p.true_peak_kpa <= job.limit_kpa]
    assert truth.best_kpa <= min(allowed)
    assert truth.reachable
    game = play([job], methods.method_named("clairvoyant", {job.name: truth}), most=truth.pulls + 2)[0]
    assert kept(game)
    assert len(game.turns) >= truth.pulls


def test_end_to_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Run, Parquet file, table, and the table again from the file."""
    monkeypatch.setattr(bench, "truths", lambda jobs, _: [truth_of(job) for job in jobs])
    out = tmp_path / "rows.parquet"
    given = ["--cars", "2", "--kinds", "other: free,other: touchy", "--methods", "rule of thumb", "--pulls", "3"]
    assert bench.main([*given, "--jobs", "1", "--backend", "sequential", "--out", str(out)]) == 0
    first = capsys.readouterr().out
    rows = pd.read_parquet(out)
    assert set(rows["pull"]) == {1, 2, 3}
    assert rows["car"].nunique() == 2
    assert "limit broken after the baseline" in first
    assert bench.main(["--again", str(out)]) == 0
    assert capsys.readouterr().out == first


def truth_of(job: Job) -> Truth:
    return Truth(tuple(job.idle), 0.1 * PSI, tuple(job.idle), 3, "", float("nan"))


def test_unknown_method_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench.main(["--methods", "guessing", "--cars", "1"]) == 2
    assert "guessing" in capsys.readouterr().err


def test_roster_is_spread_over_both_families() -> None:
    cars = roster(36)
    assert len({job.full_kind for job in cars}) == 18
    assert {job.family for job in cars} == {"own", "other"}


def test_reach_and_steps(jobs: list[Job]) -> None:
    """Duty by 20 a step: 41 points take three steps."""
    job = jobs[1]
    at = [int(job.knobs[name].index(getattr(job.idle, name))) for name in KNOB_NAMES]
    assert steps_to(job, [[41, *at[1:]], [40, *at[1:]], at]).tolist() == [3, 2, 0]
    assert reach(job, 2)[1][0] == 40


def test_cause_is_read_off_floor_and_ceiling() -> None:
    rpm = np.arange(4000.0, 6501.0, 25.0)
    low, high = np.full(rpm.size, -30.0), np.full(rpm.size, 40.0)
    assert cause_of(rpm, low + 60.0, high) == ("floor above target", 4000.0)
    creeps = np.where(rpm > 5799.0, 8.0, -20.0)
    assert cause_of(rpm, creeps, high) == ("boost creeps", 5800.0)
    assert cause_of(rpm, low, np.where(rpm > 5999.0, -9.0, 20.0)) == ("out of breath at the top", 6000.0)
    assert cause_of(rpm, low, np.where(rpm < 4401.0, -9.0, 20.0)) == ("boost arrives late", 4400.0)
    assert cause_of(rpm, low, np.where(rpm < 5801.0, -9.0, 20.0)) == ("boost arrives late", 5800.0)
    assert cause_of(rpm, low, np.where(rpm < 4600.0, -12.0, -9.0)) == ("out of breath at the top", 4000.0)


def test_bound_of_broken_limits() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.2: none of 20 gives 0.13911 at 95 %, one-sided."""
    assert broken_bound(0, 20) == pytest.approx(0.13911, abs=5e-6)
    assert broken_bound(0, 1000) == pytest.approx(0.0030, abs=5e-5)


def test_figures_count_as_they_say() -> None:
    """Two cars by hand: one there in pull 3 and done, one never there, with a broken limit."""
    base = {"kind": "k", "fewest_pulls": 3, "reachable": True, "as_proposed": True, "surprise": False}
    promise = {"points_inside": 0.9, "truth_inside": 0.8, "peak_inside": 1.0, "best_psi": 0.1, "there_psi": 0.45}
    said = {"cause": "", "cause_rpm": np.nan, "true_cause": "", "true_cause_rpm": np.nan, "seconds_after": 0.1}
    rows = []
    for car, deviations in (("a", [5.0, 1.0, 0.3]), ("b", [5.0, 2.0, 0.8])):
        for i, deviation in enumerate(deviations):
            over, last = car == "b" and i == 1, i == 2
            rows.append(
                {**base, **promise, **said, "car": car, "pull": i + 1, "true_psi": deviation, "logged_psi": deviation}
                | {"there": deviation < 0.45, "over_limit": over, "last": last, "verdict": "done" if last else "pull"}
                | {"standing": 3 if last else 0}
            )
    frame = pd.DataFrame(rows)
    assert first_there(frame).to_dict() == {"a": 3.0, "b": np.inf}
    f = figures(frame)
    assert (f.reached, f.reachable, f.over, f.pulls) == (1, 2, 1, 4)
    assert (f.done, f.done_in_time, f.done_wrong) == (2, 1, 1)
    assert f.left_psi == pytest.approx(0.45)  # median of 0.2 and 0.7


def test_a_band_answers_for_the_settings_that_it_was_promised_of() -> None:
    """What was run with other settings than proposed tells nothing of limit and bands."""
    told = {"seed": 1, "reachable": True, "best_psi": 0.1, "true_psi": 1.0, "logged_psi": 1.0, "there": False}
    told |= {"cause": "", "cause_rpm": np.nan, "true_cause": "", "true_cause_rpm": np.nan, "seconds_after": 0.1}
    told |= {"car": "a", "kind": "k", "surprise": False, "over_limit": False, "standing": 0, "verdict": "pull"}
    held = [(1, True, np.nan), (2, True, 0.9), (3, False, 0.1), (4, True, 1.0)]
    rows = pd.DataFrame(
        [
            {**told, "pull": pull, "as_proposed": proposed, "last": pull == 4}
            | dict.fromkeys(("points_inside", "truth_inside", "peak_inside"), inside)
            for pull, proposed, inside in held
        ]
    )
    f = figures(rows)
    assert f.pulls == 2
    assert f.points == f.truth == f.peak == f.worst_points == pytest.approx(0.95)


def test_a_pull_over_the_limit_is_not_there_however_near_it_comes(tool: list[Game]) -> None:
    truth = dataclasses.replace(truth_of(tool[0].job), best_kpa=1000.0)
    there = rows_of(tool[0], "tool", PLAIN, truth, truth)
    assert all(row["there"] for row in there)
    low = dataclasses.replace(tool[0], job=dataclasses.replace(tool[0].job, limit_kpa=1.0))
    over = rows_of(low, "tool", PLAIN, truth, truth)
    assert all(row["over_limit"] and not row["there"] for row in over)


def test_scenarios_change_what_they_name(jobs: list[Job]) -> None:
    settings = [job.idle for job in jobs]
    two = len(jobs)

    def logged(name: str, number: int) -> list[FloatArray]:
        return [p.trace.boost_kpa for p in pull_all(jobs, settings, [number] * two, scenario=SCENARIOS[name])]

    plain, high = logged("plain", 2), logged("gauge 3 % high", 2)
    for a, b in zip(plain, high, strict=True):
        np.testing.assert_allclose(b, 1.03 * a)
    changed = logged("spring changed after pull 3", 4)
    for a, b in zip(logged("plain", 4), changed, strict=True):
        assert abs(float(np.median(b) - np.median(a))) > 1.0
    for a, b in zip(plain, logged("spring changed after pull 3", 2), strict=True):
        np.testing.assert_array_equal(a, b)
    aborted = pull_all(jobs, settings, [3] * two, scenario=SCENARIOS["aborted pulls"])
    assert not any(pull.complete for pull in aborted)
    slow = pull_all(jobs, settings, [2] * two, scenario=SCENARIOS["logs at 10 Hz"])
    assert all(pull.trace.rate_hz == pytest.approx(10.0) for pull in slow)


@pytest.mark.parametrize("name", [n for n in ablation.NAMES if n != ablation.GREEDY])
def test_each_ablation_leaves_something_out(name: str, tool: list[Game]) -> None:
    """After the baseline and one pull, the answer differs from the whole tool's in risk, band or settings."""
    game = tool[1]
    whole, part = (methods.method_named(n, {})(game.job, game.turns[:2]) for n in (methods.TOOL, name))
    assert part.settings is not None
    assert (part.risk, part.deviation_kpa, part.settings) != (whole.risk, whole.deviation_kpa, whole.settings)


def test_greedy_gives_no_credit_for_what_is_unknown() -> None:
    """Mean 1 under a bar of 2 is worth 1 whatever its spread; expected improvement gives more the wider it is."""
    assert ablation._gain_of_mean(1.0, 5.0, 2.0) == 1.0
    assert expected_improvement(1.0, 5.0, 2.0) > 2.0


def test_held_run_rises_with_duty_and_stops_under_the_target(jobs: list[Job]) -> None:
    job = jobs[1]
    seen = held_run(job)
    boost = [o.sustained_peak_kpa for o in seen]
    assert len(seen) >= 3
    assert boost[-1] - boost[0] > 1.0 * PSI
    assert max(boost) < float(job.target.boost_kpa.max())
    assert all(int(o.curve.reached.sum()) == 3 for o in seen)


def test_help_names_every_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        bench.main(["--help"])
    assert stopped.value.code == 0
    said = " ".join(capsys.readouterr().out.split())
    assert all(name in said for name in SCENARIOS)


def test_every_method_and_scenario_can_be_named_on_the_command_line() -> None:
    assert bench.chosen_methods(",".join(methods.NAMES)) == list(methods.NAMES)
    assert bench.chosen_methods("ablation") == [methods.TOOL, *ablation.NAMES]
    assert not any("," in name for name in SCENARIOS)


def test_a_possible_change_is_counted_apart_from_a_sure_one() -> None:
    rows = pd.DataFrame(
        [
            {"car": "a", "codes": "aim", "surprise": False, "as_proposed": True},
            {"car": "a", "codes": "aim, noticed doubt", "surprise": True, "as_proposed": True},
            {"car": "a", "codes": "aim, changed spring", "surprise": False, "as_proposed": True},
            {"car": "b", "codes": "aim, noticed doubt", "surprise": False, "as_proposed": True},
            {"car": "b", "codes": "aim, noticed settings", "surprise": False, "as_proposed": False},
            {"car": "c", "codes": "aim, changed leak", "surprise": True, "as_proposed": True},
        ]
    )
    assert noticed(rows) == Noticed(
        changed=2, at_once=2, ever=2, sure_at_once=1, sure_ever=2, whole=2, false=1, sure_false=0, other=1, said=1
    )
