"""Load of a pull whose log has no pedal: only inferred, and refused where boost itself shows that it was not full."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from recommender.logs.evidence import Evidence, Remark

#: An open throttle costs no more than this: manifold pressure further below ambient is a throttle not open. [kPa]
DRAWN_KPA: Final = 8.0
#: The throttle may still be opening over this share of the rise in engine speed. [-]
OPENING: Final = 0.15
#: Boost that falls below this share of its highest so far and comes back to that share was let go of. [-]
LET_GO: Final = 0.5
BACK: Final = 0.8
#: Fewest rows that tell either.
FEWEST: Final = 3


def inferred(evidence: Evidence) -> Iterator[Remark]:
    """Without pedal or throttle: that load is inferred, vacuum within the sweep, boost let go of and taken up again."""
    if evidence.span.kind != "sweep" or np.isfinite(evidence.fullest_pct):
        return
    rows = slice(evidence.span.trace_first, evidence.span.sweep_last + 1)
    time, rpm, boost = evidence.time_s[rows], evidence.rpm[rows], evidence.boost_kpa[rows]
    yield Remark(
        "load inferred",
        "no pedal or throttle to go by: that load was full is inferred from engine speed and boost; a sweep at part "
        "load held steady looks the same. Log the pedal",
    )
    drawn = (boost < -DRAWN_KPA) & (rpm > rpm[0] + OPENING * float(rpm.max() - rpm[0]))
    # An absolute reading against an ambient pressure that is only assumed tells altitude as well as throttle.
    zero_known = evidence.absolute_kpa is None or evidence.conditions.known_barometer_kpa is not None
    if zero_known and np.count_nonzero(drawn) >= FEWEST:
        row = int(np.flatnonzero(drawn)[-1])
        text = f"manifold pressure is still {-boost[row]:.0f} kPa below ambient at {rpm[row]:.0f} rpm"
        yield Remark("part load", f"{text}: the throttle was not open from the start", float(time[row]), refuses=True)
        return
    highest = np.maximum.accumulate(boost)
    # The last of the sweep may be the lift itself; what counts is boost that comes back.
    low = (boost < LET_GO * highest) & (highest > 0.5 * float(boost.max()))
    comes_back = np.maximum.accumulate(boost[::-1])[::-1] >= BACK * highest
    gone = np.flatnonzero(low & comes_back)
    if gone.size >= FEWEST:
        row = int(gone[0])
        text = f"boost falls from {highest[row]:.0f} kPa to under half of that and returns"
        yield Remark("part load", f"{text}: the throttle was lifted within the sweep", float(time[row]), refuses=True)
