"""Fuzzing of log intake at length: ``python -m tests.recommender.logs.fuzz [--cases 10000] [--seed 0]``.

A fifth each: any bytes, odd tables, damaged logs, mistreated logs, written logs. The first bytes of each fault are
kept in fixtures/logs/fuzz and tried again by the test suite.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.recommender.logs.fuzzing import (
    check_nothing_made_up,
    check_read_right,
    damaged_logs,
    mistreated_logs,
    odd_tables,
    read_without_fault,
    sound_samples,
    written_logs,
)

FOUND = Path(__file__).parents[3] / "fixtures" / "logs" / "fuzz"


def run(
    name: str, strategy: st.SearchStrategy[Any], check: Callable[[Any], object], cases: int, start: int
) -> Counter[str]:
    """Many cases of one kind; what came of them."""
    outcomes: Counter[str] = Counter()

    @seed(start)
    @settings(
        max_examples=cases,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy)
    def one(case: Any) -> None:
        try:
            outcomes["read" if check(case) is not None else "refused"] += 1
        except Exception as fault:
            kind = f"{type(fault).__name__}: {str(fault)[:110]}"
            outcomes[kind] += 1
            if isinstance(case, bytes) and outcomes[kind] == 1:
                FOUND.mkdir(parents=True, exist_ok=True)
                (FOUND / f"{hashlib.sha256(case).hexdigest()[:12]}.log").write_bytes(case)
            elif outcomes[kind] <= 3:
                print(f"  {name}: {kind}\n  {case!r}"[:1500])

    begin = time.perf_counter()
    one()
    print(
        f"{name}: {sum(outcomes.values())} cases in {time.perf_counter() - begin:.0f} s, {dict(outcomes)}", flush=True
    )
    return outcomes


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    wanted = parser.parse_args()
    warnings.simplefilter("error")
    warnings.filterwarnings("ignore", module="hypothesis")
    share = -(-wanted.cases // 5)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "log.csv"
        samples = sound_samples(Path(name))
        plan: list[tuple[str, st.SearchStrategy[Any], Callable[[Any], object]]] = [
            ("any bytes", st.binary(max_size=2000), lambda data: read_without_fault(path, data)),
            ("odd tables", odd_tables(), lambda data: read_without_fault(path, data)),
            ("damaged logs", damaged_logs(samples), lambda data: read_without_fault(path, data)),
            ("mistreated logs", mistreated_logs(), lambda case: check_nothing_made_up(path, case)),
            ("written logs", written_logs(), lambda case: check_read_right(path, *case)),
        ]
        outcomes = [run(kind, strategy, check, share, wanted.seed) for kind, strategy, check in plan]
    faults = sum(count for each in outcomes for kind, count in each.items() if kind not in ("read", "refused"))
    print(f"{faults} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
