"""The bench: whole jobs on many virtual cars, the tool beside other methods. ``python -m tests.fleet --help``"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import joblib
import pandas as pd
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from tests.fleet import ablation, leave_out, methods, report, timing
from tests.fleet.clairvoyant import truths
from tests.fleet.play import play
from tests.fleet.rows import Row, flatten, rows_of
from tests.fleet.scenarios import PLAIN, SCENARIOS, Scenario
from tests.fleet.seats import FAMILIES, FRESH_SEED, USUAL_FAMILIES, all_kinds, jobs_named, roster


def play_chunk(names: Sequence[tuple[str, int]], method: str, scenario: Scenario, most: int) -> list[Row]:
    """One method on some cars: rows."""
    jobs = jobs_named(names)
    before = truths(jobs, scenario if not scenario.changes_after else PLAIN)
    after = truths(jobs, scenario) if scenario.changes_after else before
    known = {job.name: truth for job, truth in zip(jobs, before, strict=True)}
    games = play(jobs, methods.method_named(method, known), most=most, scenario=scenario)
    return flatten([rows_of(g, method, scenario, b, a) for g, b, a in zip(games, before, after, strict=True)])


def arguments(given: Sequence[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.fleet", description="Whole jobs on many virtual cars: the tool beside other methods."
    )
    parser.add_argument("--cars", type=int, default=216, help="cars, spread evenly over the kinds")
    parser.add_argument("--quick", action="store_true", help="one car of each kind")
    parser.add_argument(
        "--methods", default=",".join((methods.TOOL, *methods.RIVALS)), help="comma separated; also: all, ablation"
    )
    parser.add_argument(
        "--scenarios", default=PLAIN.name, help=f"comma separated, or all: {', '.join(SCENARIOS).replace('%', '%%')}"
    )
    parser.add_argument(
        "--families",
        default=",".join(USUAL_FAMILIES),
        help=f"comma separated, or all: {', '.join(FAMILIES)}; apart, kept and soaked only where asked for",
    )
    parser.add_argument("--kinds", default="", help="comma separated parts of kinds, such as: own: stiff,touchy")
    parser.add_argument("--seed", type=int, default=FRESH_SEED, help="seed of the first car of each kind")
    parser.add_argument("--pulls", type=int, default=14, help="most pulls a job may take")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--chunk", type=int, default=12, help="cars played together by one process; large: cheap pulls")
    parser.add_argument("--backend", default="loky", help="joblib backend: loky, dask, ray …")
    parser.add_argument(
        "--out", type=Path, default=Path("fleet.parquet"), help="Parquet file, one row per car and pull"
    )
    parser.add_argument("--text", type=Path, help="also write the tables to this text file")
    parser.add_argument("--worst", type=int, default=0, help="print this many worst jobs, pull by pull")
    parser.add_argument(
        "--leave-out",
        action="store_true",
        help="only: learn the prior on all kinds but one and play that one, for each kind of --families, or those that "
        "--kinds names; --cars over all kinds, as many again to learn from",
    )
    parser.add_argument("--timing", action="store_true", help="only: how long a step takes after 5 and 100 pulls")
    parser.add_argument(
        "--again",
        type=Path,
        nargs="+",
        help="no play: tables from Parquet files; a later one replaces methods of an earlier one",
    )
    return parser.parse_args(given)


def chosen_methods(wanted: str) -> list[str]:
    """Methods by name.

    Raises:
        ValueError: a name is unknown.
    """
    if wanted == "all":
        return list(methods.NAMES)
    if wanted == "ablation":
        return [methods.TOOL, *ablation.NAMES]
    names = [name.strip() for name in wanted.split(",") if name.strip()]
    unknown = [name for name in names if name not in methods.NAMES]
    if unknown:
        raise ValueError(f"methods must be among {', '.join(methods.NAMES)}, but got {', '.join(unknown)}")
    return names


def chosen_families(wanted: str) -> list[str]:
    """Families by name.

    Raises:
        ValueError: a name is unknown, or there is none.
    """
    names = list(FAMILIES) if wanted == "all" else [name.strip() for name in wanted.split(",") if name.strip()]
    unknown = [name for name in names if name not in FAMILIES]
    if unknown or not names:
        raise ValueError(f"families must be among {', '.join(FAMILIES)}, but got {', '.join(unknown) or 'none'}")
    return names


def run(options: argparse.Namespace, console: Console) -> pd.DataFrame:
    """Play everything; one row per car and pull."""
    names = chosen_methods(options.methods)
    for name in list(names):
        if why := methods.missing(name):
            console.print(f"{name} is left out. {why}")
            names.remove(name)
    scenarios = list(SCENARIOS) if options.scenarios == "all" else [s.strip() for s in options.scenarios.split(",")]
    kinds = [kind.strip() for kind in options.kinds.split(",") if kind.strip()]
    families = chosen_families(options.families)
    cars_wanted = len(all_kinds(families)) if options.quick else options.cars
    jobs = roster(cars_wanted, kinds=kinds, seed=options.seed, families=families)
    cars = [(job.full_kind, job.seed) for job in jobs]
    chunks = [cars[i : i + options.chunk] for i in range(0, len(cars), options.chunk)]
    tasks = [
        joblib.delayed(play_chunk)(chunk, method, SCENARIOS[scenario], options.pulls)
        for scenario in scenarios
        for chunk in chunks
        for method in names
    ]
    options.out.parent.mkdir(parents=True, exist_ok=True)
    rows: list[Row] = []
    bar = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*bar, console=console) as progress, joblib.parallel_config(options.backend, n_jobs=options.jobs):
        task = progress.add_task(f"{len(cars)} cars, {len(names)} methods", total=len(tasks))
        for part in joblib.Parallel(return_as="generator_unordered")(tasks):
            rows += part
            _in_order(rows).to_parquet(options.out, index=False)  # a run that is stopped keeps what it had
            progress.advance(task)
    return _in_order(rows)


def _leave_out(options: argparse.Namespace) -> str:
    every = all_kinds(chosen_families(options.families))
    parts = [part.strip() for part in options.kinds.split(",") if part.strip()]
    played = [kind for kind in every if not parts or any(part in kind for part in parts)]
    if not played or len(every) < 2:
        raise ValueError(f"--kinds must match one of {', '.join(every)}, but got {options.kinds}")
    cars = max(options.cars // len(every), 1)
    return leave_out.run(every, played, cars, options.seed, options.pulls, options.jobs)


def kept(paths: Sequence[Path]) -> pd.DataFrame:
    """Rows of earlier runs."""
    frame = pd.DataFrame()
    for path in paths:
        new = pd.read_parquet(path)
        if not frame.empty:
            old = pd.MultiIndex.from_frame(frame[["scenario", "method"]])
            frame = frame[~old.isin(pd.MultiIndex.from_frame(new[["scenario", "method"]]))]
        frame = pd.concat([frame, new]) if not frame.empty else new
    return frame.reset_index(drop=True)


def _in_order(rows: Sequence[Row]) -> pd.DataFrame:
    frame = pd.DataFrame(rows)
    return frame.sort_values(["scenario", "method", "kind", "seed", "pull"], kind="stable").reset_index(drop=True)


def main(given: Sequence[str] | None = None) -> int:
    options = arguments(given)
    console = Console(stderr=True)
    if options.timing:
        print(timing.table())
        return 0
    try:
        if options.leave_out:
            print(_leave_out(options))
            return 0
        frame = kept(options.again) if options.again else run(options, console)
    except ValueError as error:
        console.print(str(error))
        return 2
    text = report.tables(frame, worst=options.worst)
    print(text)
    if options.text:
        options.text.write_text(text + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
