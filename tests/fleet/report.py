"""Tables of a run, as plain text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from models.settings import KNOB_NAMES
from tests.fleet import methods
from tests.fleet.figures import figures, first_there, lines, noticed, over_after_baseline, standing
from tests.fleet.scenarios import PLAIN


def tables(rows: pd.DataFrame, *, worst: int = 0) -> str:
    """The table of figures of each scenario, the kinds one by one, and the worst jobs if asked for."""
    parts = []
    for scenario, mine in rows.groupby("scenario", sort=False):
        ordered = [name for name in methods.NAMES if name in set(mine["method"])]
        columns = {name: lines(figures(mine[mine["method"] == name])) for name in ordered}
        parts.append(f"{scenario}: {mine['car'].nunique()} cars of {mine['kind'].nunique()} kinds\n{grid(columns)}")
        tool = mine[mine["method"] == methods.TOOL]
        if not tool.empty:
            found = noticed(tool)
            parts.append(
                f"car changed while the job ran: {found.changed}; said with the next pull: {found.at_once}, of them "
                f"as sure: {found.sure_at_once}; said at all: {found.ever}, as sure: {found.sure_ever}\n"
                f"said of cars that had not changed: {found.false} of {found.whole} jobs, as sure: {found.sure_false}\n"
                f"pulls run with other settings than proposed: {found.other}; said: {found.said}"
            )
            if scenario == PLAIN.name:
                parts.append(kinds(tool))
            if worst:
                parts.append(worst_jobs(tool, worst))
    return "\n\n".join(parts)


def grid(columns: Mapping[str, Mapping[str, str]]) -> str:
    """Columns of named lines side by side."""
    names = list(columns)
    head = max(len(line) for line in columns[names[0]])
    width = [max(len(name), *(len(v) for v in columns[name].values())) for name in names]
    out = ["  ".join([" " * head, *(n.ljust(w) for n, w in zip(names, width, strict=True))])]
    for line in columns[names[0]]:
        out.append(
            "  ".join([line.ljust(head), *(columns[n][line].ljust(w) for n, w in zip(names, width, strict=True))])
        )
    return "\n".join(row.rstrip() for row in out)


def kinds(tool: pd.DataFrame) -> str:
    """The tool on each kind of car."""
    out = [
        "kind".ljust(28) + "reached   pulls  over the limit  points  peaks  done wrong  out right/said/true  left psi"
    ]
    for kind, mine in tool.groupby("kind", sort=False):
        f = figures(mine)
        median = "–" if np.isnan(f.pulls_median) else "never" if np.isinf(f.pulls_median) else f"{f.pulls_median:.0f}"
        ninety = "–" if np.isnan(f.pulls_90) else "never" if np.isinf(f.pulls_90) else f"{f.pulls_90:.0f}"
        out.append(
            f"{kind!s:28}{f.reached:2d} of {f.reachable:2d}  {median:>5}/{ninety:<5} {f.over:3d} in {f.pulls:4d}"
            f"   {100 * f.points:5.0f}  {100 * f.peak:5.0f}  {f.done_wrong:3d} of {f.done:2d}"
            f"   {f.out_right:4d}/{f.out}/{f.hopeless:<8d}   {f.left_psi:8.2f}"
        )
    return "\n".join(out)


def troubles(mine: pd.DataFrame) -> list[str]:
    """What went wrong in one job."""
    end = mine[mine["last"]].iloc[0]
    first = float(first_there(mine).iloc[0])
    out = []
    over = over_after_baseline(mine)
    if over["over_limit"].any():
        out.append(f"limit broken in pulls {', '.join(str(n) for n in over.loc[over['over_limit'], 'pull'])}")
    stands = standing(mine).iloc[0]
    if end["verdict"] == "done" and not stands["there"]:
        out.append("wrong done")
    if end["verdict"] == "out of reach" and end["reachable"]:
        out.append(f"wrong out of reach ({end['cause']} at {end['cause_rpm']:.0f})")
    if not end["reachable"] and end["cause"] != end["true_cause"]:
        out.append(f"said {end['verdict']!r} {end['cause']}, true cause {end['true_cause']}")
    if end["reachable"] and np.isinf(first):
        out.append("never there")
    elif end["reachable"] and first > max(end["fewest_pulls"] + 1, 5):
        out.append(f"{first:.0f} pulls, clairvoyant {end['fewest_pulls']}")
    if np.isfinite(first) and end["pull"] > first + 1:
        out.append(f"{end['verdict']} {end['pull'] - first:.0f} pulls after being there")
    return out


def worst_jobs(tool: pd.DataFrame, most: int) -> str:
    """The jobs with most wrong, pull by pull."""
    found = [(troubles(mine), mine) for _, mine in tool.groupby("car", sort=False)]
    found = sorted((f for f in found if f[0]), key=lambda f: (-_weight(f[0]), str(f[1]["car"].iloc[0])))
    return "\n\n".join(story(what, mine) for what, mine in found[:most])


def _weight(what: Sequence[str]) -> float:
    heavy = ("limit broken", "wrong", "never there", "said")
    return sum(10.0 - i for text in what for i, word in enumerate(heavy) if text.startswith(word)) + 0.1 * len(what)


def story(what: Sequence[str], mine: pd.DataFrame) -> str:
    """One job, pull by pull."""
    end = mine[mine["last"]].iloc[0]
    out = [
        f"{end['car']}: {'; '.join(what)}",
        f"  best {end['best_psi']:.2f}, there under {end['there_psi']:.2f}, limit {end['limit_psi']:.1f} psi, "
        f"clairvoyant {end['fewest_pulls']} pulls, {end['true_cause'] or 'reachable'}; ended: {end['verdict']} "
        f"({end['cause']} {end['cause_rpm']:.0f}), best thought {end['best_thought_psi']:.2f}, "
        f"stands {end['standing']}",
        "  pull  duty  from   to    add  eng   gain   risk   expect  logged true  steady  peak   points peak  held by",
    ]
    for _, row in mine.iterrows():
        knobs = [row[name] for name in KNOB_NAMES]
        out.append(
            f"  {row['pull']:3d}   {knobs[0]:4.0f}  {knobs[1]:5.0f} {knobs[2]:5.0f} {knobs[3]:4.0f} {knobs[4]:5.1f} "
            f"{knobs[5]:6.2g}  {row['risk']:6.4f}  {row['expected_psi']:6.2f} {row['logged_psi']:6.2f} "
            f"{row['true_psi']:6.2f} {row['steady_psi']:6.2f} {row['peak_psi']:6.1f}{'!' if row['over_limit'] else ' '}"
            f" {100 * row['points_inside']:5.0f}  {row['peak_inside']:5.0f}    {row['binding']}"
            + (f" ringing {row['ringing_psi']:.1f}" if row["ringing_psi"] > 0.3 else "")
        )
    return "\n".join(out)
