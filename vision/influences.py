"""From small changes of the inputs to a budget: what each influence does to each measured figure.

A measurement is a function of fixed edge points (pixels) and of inputs that are only known within an uncertainty:
the view, heights, edge bias. The function is evaluated once with the best inputs and once for each input moved by
one standard uncertainty; the differences are the sensitivities (GUM 5.1.3, note 2). All figures of one photograph
share the same variables of the library `uncertainties`, so that what they have in common cancels in a rim.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, ufloat
from uncertainties.core import AffineScalarFunc

FloatArray = NDArray[np.float64]


class Influences:
    """The variables of one photograph, each with mean 0 and standard deviation 1."""

    def __init__(self) -> None:
        self._variables: dict[str, Any] = {}

    def variable(self, key: str, tag: str) -> Any:
        """The variable of that key, made at its first use; `tag` is its name in the budget."""
        if key not in self._variables:
            self._variables[key] = ufloat(0.0, 1.0, tag=tag)
        return self._variables[key]

    def known(self, key: str) -> Any | None:
        """The variable of that key, None if nothing was made of it."""
        return self._variables.get(key)

    def figure(self, value: float, changes: Mapping[tuple[str, str], float]) -> UFloat:
        """A figure with its dependence on the variables.

        Parameters
        ----------
        value : float
            Best estimate.
        changes : mapping of (key, tag) to float
            Change of the figure when the variable moves by one standard uncertainty.

        Returns
        -------
        uncertainties.UFloat
        """
        # Starting from a plain number: `uncertainties` warns of variables without an uncertainty.
        total: Any = value
        for (key, tag), change in changes.items():
            if change:
                total = total + float(change) * self.variable(key, tag)
        return total if isinstance(total, AffineScalarFunc) else ufloat(value, 0.0)


def sensitivities(
    evaluate: Callable[[Any], FloatArray], best: Any, moved: Iterable[tuple[str, str, Any]]
) -> tuple[FloatArray, dict[tuple[str, str], FloatArray]]:
    """Evaluate a measurement at its best inputs and at each moved input.

    Parameters
    ----------
    evaluate : callable
        Takes the inputs, returns an array of figures.
    best : object
        Best inputs.
    moved : iterable of (key, tag, inputs)
        Inputs with one influence moved by one standard uncertainty.

    Returns
    -------
    values : ndarray of shape (F,)
        The figures.
    changes : dict of (key, tag) to ndarray of shape (F,)
        Their changes.
    """
    values = evaluate(best)
    return values, {(key, tag): evaluate(inputs) - values for key, tag, inputs in moved}
