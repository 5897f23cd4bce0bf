"""What a change of settings does to the curve, with its uncertainty: two curves of one pull, drawn together.

The scatter of a pull and the drift between pulls are common to both curves and cancel. What stays uncertain is what the
constants and the Gaussian process do not know yet.
"""

from __future__ import annotations

import numpy as np
from scipy import linalg

from models.surrogate import BoostSurrogate
from models.units import FloatArray


def effect_draws(surrogate: BoostSurrogate, before: FloatArray, after: FloatArray) -> FloatArray:
    """Curves with ``after`` minus the curve with ``before``, drawn from the joint posterior.

    The Gaussian process is conditioned on the data for the difference itself (Rasmussen & Williams 2006, eq. 2.24 for a
    linear function of the process).

    Args:
        surrogate: Fitted.
        before: Settings to start from. Shape (6,), engagement in kPa gauge
        after: Settings to compare. Shape (S, 6)
    Returns:
        Shape (D, S, M), [kPa]
    """
    knobs = np.vstack([before[None], np.atleast_2d(after)])
    curves, _ = surrogate.expected(knobs)
    change = curves[:, 1:] - curves[:, :1]
    covariance = _process_covariance(surrogate, knobs)
    values, vectors = np.linalg.eigh(0.5 * (covariance + np.swapaxes(covariance, 1, 2)))
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    noise = np.random.default_rng([surrogate.seed, 2]).standard_normal((change.shape[0], change.shape[2]))
    return np.asarray(change + np.moveaxis(root @ noise.T, 2, 0))


def _process_covariance(surrogate: BoostSurrogate, knobs: FloatArray) -> FloatArray:
    """Covariance of the Gaussian process's part of each difference to the first row. Shape (S, M, M), [kPa²]"""
    p = surrogate.posterior_
    inputs = surrogate.inputs_of(knobs)
    likeness, size = surrogate.likeness, surrogate.size_kpa(p.size) ** 2
    first = inputs[0]
    at_first = likeness(first[None], first)[0]
    cross = size * likeness(inputs, p.inputs)
    out = []
    for row, to_data in zip(inputs[1:], cross[1:], strict=True):
        between = likeness(row[None], first)[0]
        own = size * (likeness(row[None], row)[0] + at_first - between - between.T)
        if p.inputs.size:
            half = linalg.solve_triangular(p.root, (to_data - cross[0]).T, lower=True)
            own = own - half.T @ half
        out.append(own)
    return np.array(out)
