"""Poisson and negative-binomial mixed models for counts, log link, fitted by Laplace approximation.

The library behind `mixed_library` maximises the Laplace-approximated likelihood (Breslow & Clayton 1993, JASA
88:9-25). The negative binomial has variance m + m²/shape. Not covered: extra zeros, and truncated counts.
"""

from dataclasses import replace
from typing import Literal

import numpy as np

from domatia.stats import mixed_library
from domatia.stats.arrays import Floats
from domatia.stats.mixed_fit import MixedFit, RandomTerm

LARGE_SHAPE = 5e3


def fit_counts(
    response: Floats,
    design: Floats,
    names: tuple[str, ...],
    random: tuple[RandomTerm, ...],
    *,
    family: Literal["poisson", "negative_binomial"] = "negative_binomial",
    exposure: Floats | None = None,
) -> MixedFit:
    """Fit a mixed model of counts.

    Parameters
    ----------
    response : array, shape (n,)
        Counts, whole and not negative.
    design, names, random
        As in `domatia.stats.mixed_linear.fit_linear`.
    family : str
        ``"poisson"`` or ``"negative_binomial"``.
    exposure : array, shape (n,), or None
        What the count is proportional to (seconds watched, length scanned); positive.

    Returns
    -------
    MixedFit
        Coefficients are log ratios of rates. If every count is the same there is no fit: nan, and a warning.

    Raises
    ------
    ValueError
        If a count is negative or not whole, an exposure is not positive, or the arrays do not fit together.
    """
    if not random:
        raise ValueError("mixed model: no random term was given; give at least one grouping")
    if np.any(response < 0) or np.any(response != np.round(response)):
        raise ValueError("count model: counts must be whole numbers, nought or more")
    if exposure is not None and not np.all(exposure > 0):
        raise ValueError("count model: exposures must be positive; leave out rows that were not watched")
    offset = None if exposure is None else np.log(exposure)
    kind = "poisson" if family == "poisson" else "negativebinomial"
    asked, order = mixed_library.in_order(mixed_library.Asked(response, design, names, random, kind, False, offset))
    fit = mixed_library.restored(mixed_library.fit(asked), order)
    if kind == "negativebinomial" and fit.dispersion >= LARGE_SHAPE:
        note = (
            "no_overdispersion: the counts vary no more than a Poisson model allows; the shape has no finite estimate"
        )
        return replace(fit, warnings=(*fit.warnings, note))
    return fit
