"""Nonlinear least squares: the one fitting routine of the project."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from models.units import FloatArray


@dataclass(frozen=True)
class Fit:
    """Result of a fit.

    Attributes:
        values: Constants at the optimum. Shape (p,)
        residual_sum: Sum of squared residuals there.
        information: Transpose of the Jacobian times itself at the optimum. Shape (p, p)
        converged: Whether a tolerance was met before the evaluations ran out.
    """

    values: FloatArray
    residual_sum: float
    information: FloatArray
    converged: bool


def least_squares(
    residuals: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    *,
    jacobian: Callable[[FloatArray], FloatArray] | None = None,
    tolerance: float = 1e-12,
    evaluations: int = 2000,
) -> Fit:
    """Least squares by Levenberg and Marquardt's method (MINPACK, through SciPy).

    Args:
        residuals: Constants of shape (p,) to residuals of shape (n,), n >= p.
        start: First guess. Shape (p,)
        jacobian: Derivatives of the residuals, shape (n, p); differences where left out.
        tolerance: Relative change of constants or sum at which to stop.
        evaluations: Most evaluations of ``residuals``.
    """
    found = optimize.least_squares(
        residuals,
        np.asarray(start, dtype=float),
        jac=jacobian if jacobian is not None else "2-point",
        method="lm",
        x_scale="jac",
        ftol=tolerance,
        xtol=tolerance,
        gtol=tolerance,
        max_nfev=evaluations,
    )
    jac = np.asarray(found.jac, dtype=float)
    return Fit(
        values=np.asarray(found.x, dtype=float),
        residual_sum=float(2.0 * found.cost),
        information=jac.T @ jac,
        converged=bool(found.status > 0),
    )
