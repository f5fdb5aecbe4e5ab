"""What a linear or count mixed model is asked for and what it gives back."""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints


@dataclass(frozen=True)
class RandomTerm:
    """A random intercept, with or without random slopes correlated with it, for one grouping of the rows.

    Nesting needs no notation: give every inner group its own code (unit 1 of block 1 and unit 1 of block 2
    are two codes).

    Attributes
    ----------
    name : str
        Name of the grouping.
    groups : array, shape (n,)
        Code of each row's group; any integers.
    slopes : array, shape (n, k), or None
        Columns whose coefficients vary between the groups, beside the intercept.
    slope_names : tuple of str
        One name for each column of `slopes`.
    """

    name: str
    groups: Ints
    slopes: Floats | None = None
    slope_names: tuple[str, ...] = ()

    def take(self, order: Ints) -> "RandomTerm":
        """Return the same term with its rows in another order."""
        slopes = None if self.slopes is None else self.slopes[order]
        return RandomTerm(self.name, self.groups[order], slopes, self.slope_names)

    def columns(self) -> Floats:
        """Return the columns of the random effects, the intercept first; shape (n, 1 + k)."""
        ones = np.ones((len(self.groups), 1))
        return ones if self.slopes is None else np.hstack([ones, self.slopes])


@dataclass(frozen=True)
class VarianceComponent:
    """The covariance of one grouping's random effects.

    Attributes
    ----------
    group : str
        Name of the grouping.
    terms : tuple of str
        ``"intercept"`` and the names of the slopes.
    covariance : array, shape (q, q)
        Covariance of the effects; zeros where a variance was estimated as nought.
    """

    group: str
    terms: tuple[str, ...]
    covariance: Floats

    @property
    def sd(self) -> Floats:
        """Standard deviations, shape (q,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Floats:
        """Correlations, shape (q, q); nought between effects of which one does not vary."""
        sd = np.where(self.sd > 0, self.sd, 1.0)
        table: Floats = self.covariance / np.outer(sd, sd)
        np.fill_diagonal(table, 1.0)
        return table


@dataclass(frozen=True)
class MixedFit:
    """A fitted linear or count mixed model.

    Attributes
    ----------
    names : tuple of str
        Names of the coefficients.
    coefficients : array, shape (p,)
        Fixed effects, on the scale of the linear predictor; nan for a column left out (`left_out`).
    covariance : array, shape (p, p)
        Model-based covariance of the coefficients; nan where there is none (then a warning says why).
    df : array, shape (p,)
        Degrees of freedom for t (Satterthwaite 1946); infinite where the normal distribution is to be used.
    components : tuple of VarianceComponent
        One for each random term, in the order asked.
    residual_sd : float
        Standard deviation of the residual; nan for counts.
    dispersion : float
        Shape of the negative binomial (variance m + m²/shape); residual variance for the linear model; else 1.
    loglik : float
        Log-likelihood, restricted where `reml` holds.
    reml : bool
        Whether `loglik` is restricted (REML): then it compares only models with the same fixed effects.
    fitted : array, shape (n,)
        Fitted means, random effects included.
    left_out : array of bool, shape (p,)
        Columns that are combinations of others.
    converged, singular : bool
        Whether the search ended well; whether a variance lies at nought.
    warnings : tuple of str
        What the reader must know, each ``"code: sentence"``.
    n_rows : int
        Rows used.
    n_groups : tuple of int
        Groups of each random term.
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    df: Floats
    components: tuple[VarianceComponent, ...]
    residual_sd: float
    dispersion: float
    loglik: float
    reml: bool
    fitted: Floats
    left_out: Bools
    converged: bool
    singular: bool
    warnings: tuple[str, ...]
    n_rows: int
    n_groups: tuple[int, ...]

    @property
    def standard_errors(self) -> Floats:
        """Model-based standard errors, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))


def canonical_order(response: Floats, design: Floats, groups: tuple[Ints, ...]) -> Ints:
    """Return an order of the rows that does not depend on the order they came in, so that sums do not either."""
    return np.lexsort((response, *design.T, *groups))


def check_rows(response: Floats, design: Floats, names: tuple[str, ...], groups: tuple[Ints, ...]) -> None:
    """Refuse arrays that do not fit together.

    Raises
    ------
    ValueError
        If lengths differ, a value is missing or infinite, there is no row, or the names do not match the columns.
    """
    n = len(response)
    problems = []
    if n == 0:
        problems.append("there is no row")
    if design.ndim != 2 or len(design) != n:
        problems.append(f"the design has shape {design.shape}, wanted ({n}, number of columns)")
    elif design.shape[1] != len(names):
        problems.append(f"{design.shape[1]} columns but {len(names)} names")
    problems += [f"a grouping has {len(g)} rows, wanted {n}" for g in groups if len(g) != n]
    if not problems and not (np.isfinite(response).all() and np.isfinite(design).all()):
        problems.append("a response or covariate is missing or infinite; leave such rows out first")
    if problems:
        raise ValueError("mixed model: " + "; ".join(problems))
