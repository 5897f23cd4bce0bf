"""The figures of a run, from its rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

#: How near a cause's rpm must be. [rpm]
RPM_RIGHT = 300.0
#: Reason codes with which the tool says that the car, the gauge or the log is not what it was.
NOTICED = ("noticed", "changed", "drift")
#: The one that tells of the tuner, not of the car.
OTHER_SETTINGS = "noticed settings"
#: Code of a reason on a change that may be.
DOUBT = "noticed doubt"


def broken_bound(broken: int, pulls: int, confidence: float = 0.95) -> float:
    """One-sided exact upper bound of a probability after ``broken`` of ``pulls`` (Clopper and Pearson, 1934)."""
    if broken >= pulls:
        return 1.0
    return float(stats.beta.ppf(confidence, broken + 1, pulls - broken))


@dataclass(frozen=True)
class Figures:
    """What the table shows of one method.

    Attributes:
        cars, reachable, reached: Jobs; those whose target can be reached; those of them that were brought there.
        pulls_median, pulls_90: Pulls to get there, baseline counted; infinite where the pulls ran out before.
        over, pulls: Pulls over the limit after the baseline, of all after the baseline.
        bound: 95 % bound of their probability.
        points, peak, worst_points, worst_kind: Share of band points that held, of peaks; worst kind and its points.
        done, done_in_time, done_wrong: Jobs that ended with ``done``; said within one pull of being there; not there.
        out, out_right, hopeless, hopeless_found: ``out of reach`` said; with truth, cause and rpm right; jobs
            out of reach; those of them found out (``stop`` with the spring over the limit counts).
        left_psi: Median deviation above the best possible, reachable jobs. [psi]
        seconds: Median of a step's time, and its 95 % quantile. [s]
    """

    cars: int
    reachable: int
    reached: int
    pulls_median: float
    pulls_90: float
    over: int
    pulls: int
    bound: float
    points: float
    truth: float
    peak: float
    worst_points: float
    worst_kind: str
    done: int
    done_in_time: int
    done_wrong: int
    out: int
    out_right: int
    hopeless: int
    hopeless_found: int
    left_psi: float
    seconds: tuple[float, float]


def first_there(rows: pd.DataFrame) -> pd.Series:
    """Number of the first pull that is there, by car; infinite where none is."""
    there = rows[rows["there"]].groupby("car")["pull"].min()
    return there.astype(float).reindex(rows["car"].unique(), fill_value=np.inf)


def standing(rows: pd.DataFrame) -> pd.DataFrame:
    """The row of the pull whose settings stand at the end, by car: the one named, else the least logged deviation."""
    picked = []
    for _, mine in rows.groupby("car", sort=False):
        named = mine.loc[mine["last"], "standing"].iloc[0]
        row = mine[mine["pull"] == named]
        if row.empty:
            known = mine[mine["logged_psi"].notna()]
            row = known.nsmallest(1, "logged_psi") if not known.empty else mine.head(1)
        picked.append(row.index[0])
    return rows.loc[picked].set_index("car")


def over_after_baseline(rows: pd.DataFrame) -> pd.DataFrame:
    """Pulls that count for limit and bands: after the baseline, run as proposed, and not the first after a change."""
    return rows[(rows["pull"] > 1) & rows["as_proposed"] & ~rows["surprise"]]


def figures(rows: pd.DataFrame) -> Figures:
    """Figures of the rows of one method in one scenario."""
    ends = rows[rows["last"]].set_index("car")
    first = first_there(rows).reindex(ends.index)
    can = ends["reachable"]
    count = first[can]
    counted = over_after_baseline(rows)
    over = int(counted["over_limit"].sum())
    stands = standing(rows).reindex(ends.index)
    by_kind = counted.groupby("kind")["points_inside"].mean().dropna()
    done = ends["verdict"] == "done"
    there = stands["there"].astype(bool)
    last = ends["pull"].astype(float)
    out = ends["verdict"] == "out of reach"
    near = (ends["cause_rpm"] - ends["true_cause_rpm"]).abs() <= RPM_RIGHT
    right = out & ~can & (ends["cause"] == ends["true_cause"]) & near
    stopped = (ends["verdict"] == "stop") & (ends["cause"] == ends["true_cause"]) & ~can
    left = (stands["true_psi"] - stands["best_psi"])[can]
    return Figures(
        cars=len(ends),
        reachable=int(can.sum()),
        reached=int(np.isfinite(count).sum()),
        pulls_median=_quantile(count, 0.5),
        pulls_90=_quantile(count, 0.9),
        over=over,
        pulls=len(counted),
        bound=broken_bound(over, len(counted)) if len(counted) else float("nan"),
        points=float(counted["points_inside"].mean()),
        truth=float(counted["truth_inside"].mean()),
        peak=float(counted["peak_inside"].mean()),
        worst_points=float(by_kind.min()) if not by_kind.empty else float("nan"),
        worst_kind=str(by_kind.idxmin()) if not by_kind.empty else "",
        done=int(done.sum()),
        done_in_time=int((done & there & (last - first <= 1)).sum()),
        done_wrong=int((done & ~there).sum()),
        out=int(out.sum()),
        out_right=int(right.sum()),
        hopeless=int((~can).sum()),
        hopeless_found=int(((out | stopped) & ~can).sum()),
        left_psi=float(left.median()),
        seconds=(float(rows["seconds_after"].median()), float(rows["seconds_after"].quantile(0.95))),
    )


def _quantile(count: pd.Series, share: float) -> float:
    """Value that at least ``share`` of the cars do not pass; may be infinite. NaN of nothing."""
    ordered = np.sort(count.to_numpy())
    return float(ordered[int(np.ceil(share * ordered.size)) - 1]) if ordered.size else float("nan")


def lines(f: Figures) -> dict[str, str]:
    """Figures as the table prints them, by what they are."""

    def share(value: float) -> str:
        return "–" if np.isnan(value) else f"{100 * value:.0f} %"

    return {
        "reachable cars brought to target": f"{f.reached} of {f.reachable}",
        "pulls, median and 90th percentile": f"{_count(f.pulls_median)} and {_count(f.pulls_90)}",
        "limit broken after the baseline": f"{f.over} in {f.pulls} (95 %: under {100 * f.bound:.2f} %)",
        "band holds: points of log, of truth": f"{share(f.points)}, {share(f.truth)}",
        "band holds: peaks": share(f.peak),
        "band holds: worst kind": f"{share(f.worst_points)} {f.worst_kind}" if f.worst_kind else "–",
        "done: within one pull, wrong": f"{f.done_in_time} of {f.done}, {f.done_wrong}",
        "out of reach: right with cause and rpm": f"{f.out_right} of {f.out}",
        "cars out of reach, found": f"{f.hopeless_found} of {f.hopeless}",
        "deviation left above the best, median": f"{f.left_psi:.2f} psi",
        "seconds a step, median and 95th percentile": f"{f.seconds[0]:.2f} and {f.seconds[1]:.2f}",
    }


def _count(value: float) -> str:
    return "never" if np.isinf(value) else f"{value:.0f}"


@dataclass(frozen=True)
class Noticed:
    """What the tool said of changes, what it calls a mere possibility included; and how much of that was such a one.

    Attributes:
        changed, at_once, ever: Jobs whose car changed while they ran; those in which it was said as soon as the first
            pull after the change was known; those in which it was said at all.
        sure_at_once, sure_ever: Those in which it was said as something that counts.
        whole, false, sure_false: Jobs, as far as they ran before a change; those of them in which a change was said
            all the same; and as something that counts.
        other, said: Pulls run with other settings than proposed; those of which it was said at once.
    """

    changed: int
    at_once: int
    ever: int
    sure_at_once: int
    sure_ever: int
    whole: int
    false: int
    sure_false: int
    other: int
    said: int


def noticed(rows: pd.DataFrame) -> Noticed:
    """What was noticed in the rows of one method in one scenario."""
    told = rows["codes"].str.replace(OTHER_SETTINGS, "", regex=False)
    car = told.apply(lambda text: any(c in text for c in NOTICED))
    sure = told.str.replace(DOUBT, "", regex=False).apply(lambda text: any(c in text for c in NOTICED))
    after = rows.groupby("car")["surprise"].cumsum() > 0
    run_otherwise = ~rows["as_proposed"]
    return Noticed(
        changed=int(rows.loc[rows["surprise"], "car"].nunique()),
        at_once=int((car & rows["surprise"]).sum()),
        ever=int(rows.loc[car & after, "car"].nunique()),
        sure_at_once=int((sure & rows["surprise"]).sum()),
        sure_ever=int(rows.loc[sure & after, "car"].nunique()),
        whole=int(rows.loc[~after, "car"].nunique()),
        false=int(rows.loc[car & ~after, "car"].nunique()),
        sure_false=int(rows.loc[sure & ~after, "car"].nunique()),
        other=int(run_otherwise.sum()),
        said=int((run_otherwise & rows["codes"].str.contains(OTHER_SETTINGS, regex=False)).sum()),
    )
