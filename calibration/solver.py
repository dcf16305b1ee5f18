"""Least squares for the few, smooth and well-started problems of the camera geometry."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

import numpy as np

from rimsight.calibration.pixels import FloatArray

#: The solver stops when a step would lower the sum of squares (in units of variances) by less than this.
SMALLEST_GAIN = 1e-4
LARGEST_ITERATIONS = 100
LARGEST_DAMPING = 1e12


class Equations(Protocol):
    """Equations at one parameter vector, each divided by its standard uncertainty."""

    @property
    def values(self) -> FloatArray:
        """(N,) values that should be zero."""

    @property
    def jacobian(self) -> FloatArray:
        """(N, P) derivatives."""


E = TypeVar("E", bound=Equations)


def minimise(
    equations: Callable[[FloatArray], E],
    p: FloatArray,
    *,
    smallest_gain: float = SMALLEST_GAIN,
    iterations: int = LARGEST_ITERATIONS,
) -> tuple[FloatArray, E]:
    """Minimise the sum of squares by Levenberg-Marquardt with Nielsen's damping.

    Parameters
    ----------
    equations : callable
        From a parameter vector (P,) to values and derivatives there. Values that are not finite mean that the
        step went too far; only at the start they are an error.
    p : ndarray of shape (P,)
        Start.
    smallest_gain : float
        Stop when a step promises less than this.
    iterations : int
        Largest number of steps, tried ones included.

    Returns
    -------
    p : ndarray of shape (P,)
        Solution.
    at_p : E
        The equations there.

    References
    ----------
    H. B. Nielsen, Damping parameter in Marquardt's method, IMM-REP-1999-05, DTU (from memory).
    """
    here = equations(p)
    cost = float(here.values @ here.values)
    damping, growth = 1e-6, 2.0
    for _ in range(iterations):
        normal = here.jacobian.T @ here.jacobian
        gradient = here.jacobian.T @ here.values
        try:
            # What an undamped step would gain: a heavily damped one promises little even far from the solution.
            if float(gradient @ np.linalg.solve(normal, gradient)) < smallest_gain:
                break
            step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
        except np.linalg.LinAlgError:  # a hopeless start ran off to where nothing depends on some parameter
            break
        expected = -float(step @ (2.0 * gradient + normal @ step))
        with np.errstate(all="ignore"):  # a step may leave the lens model's range; then nothing is gained
            tried = equations(p + step)
            gain = (cost - float(tried.values @ tried.values)) / expected
        if not gain > 0.0:
            damping, growth = damping * growth, 2.0 * growth
            if damping > LARGEST_DAMPING:
                break
            continue
        p, here = p + step, tried
        cost = float(here.values @ here.values)
        damping, growth = damping * max(1.0 / 3.0, 1.0 - (2.0 * gain - 1.0) ** 3), 2.0
    return p, here
