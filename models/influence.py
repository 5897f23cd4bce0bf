"""What each pull contributes to a prediction: how far it moves when that pull is left out."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import linalg

from models.constants import slopes_of
from models.surrogate import BoostSurrogate
from models.units import FloatArray


def moves_without(surrogate: BoostSurrogate, settings: FloatArray) -> dict[int, FloatArray]:
    """Change of the expected curve for each fitted pull, were it not there.

    The model is taken as linear in its constants around the best fit, under the likeliest kind of car, so that the
    prediction is that of one Gaussian process (Rasmussen & Williams 2006, sec. 2.7); the sizes of residual and
    repeatability stay as fitted. Each pull's rows, of a run at held rpm those of all its duties, are then dropped from
    the data in turn.

    Args:
        surrogate: Fitted.
        settings: Shape (6,), engagement in kPa gauge
    Returns:
        By number of the pull: curve without it minus curve with all. Shape (M,), [kPa]
    """
    e, p = surrogate.evidence_, surrogate.posterior_
    if e.y.size == 0:
        return {}
    knobs = settings[None]
    lifted, at_data = surrogate.linear_at(p.best, p.kind)
    gate = surrogate.gate_
    at_new = slopes_of(lambda z: gate.boost(gate.parts(z), knobs)[:, 0], p.best) * p.kind.deviation
    level = surrogate.gate_curves(knobs, best=True)[0]
    covariance = p.root @ p.root.T + at_data @ at_data.T
    cross = at_new @ at_data.T + surrogate._cross(knobs, level)[0]

    def predicted(keep: npt.NDArray[np.bool_]) -> FloatArray:
        rows = np.flatnonzero(keep)
        if rows.size == 0:
            return np.zeros(cross.shape[0])
        factor = linalg.cho_factor(covariance[np.ix_(rows, rows)], lower=True)
        return np.asarray(cross[:, rows] @ linalg.cho_solve(factor, lifted[rows]))

    everything = predicted(np.ones(e.y.size, dtype=bool))
    return {int(number): predicted(e.numbers[e.pull] != number) - everything for number in np.unique(e.numbers)}
