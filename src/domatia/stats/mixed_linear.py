"""Linear mixed models by restricted or full maximum likelihood, with cluster-robust scores beside.

The model is y = X b + Z u + e with u ~ N(0, G), e ~ N(0, σ² I) (Laird & Ware 1982, Biometrics 38:963-974). It is
fitted by a library behind `mixed_library`; degrees of freedom follow Satterthwaite (1946, Biometrics Bulletin
2:110-114). The robust part takes the fitted variances as a working model (Liang & Zeger 1986, Biometrika 73:13-22).
Not covered: serially correlated or unequal residuals, and penalised smooths.
"""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from domatia.stats import mixed_library
from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.cluster_scores import ClusterScores
from domatia.stats.mixed_fit import MixedFit, RandomTerm, VarianceComponent, canonical_order

if TYPE_CHECKING:
    from scipy.sparse import csr_array


def fit_linear(
    response: Floats,
    design: Floats,
    names: tuple[str, ...],
    random: tuple[RandomTerm, ...],
    *,
    reml: bool = True,
    satterthwaite: bool = True,
) -> MixedFit:
    """Fit a linear mixed model.

    Parameters
    ----------
    response : array, shape (n,)
    design : array, shape (n, p)
        Fixed-effect columns, a column of ones among them if an intercept is wanted.
    names : tuple of str
        One name for each column.
    random : tuple of RandomTerm
        At least one; nested and crossed groupings alike.
    reml : bool
        Restricted (True) or full maximum likelihood.
    satterthwaite : bool
        Whether to compute degrees of freedom; refits in a loop may spare them.

    Returns
    -------
    MixedFit
        Where the library finds no fit (a constant or fully explained response, too few rows), ordinary least
        squares with variances nought, and a warning that says so.

    Raises
    ------
    ValueError
        If the arrays do not fit together or there is no random term.
    """
    if not random:
        raise ValueError("mixed model: no random term was given; give at least one grouping")
    asked, order = mixed_library.in_order(
        mixed_library.Asked(response, design, names, random, "gaussian", reml, None, satterthwaite)
    )
    fit = mixed_library.fit(asked)
    return mixed_library.restored(fit if fit.converged else _least_squares(asked, fit), order)


def _least_squares(asked: mixed_library.Asked, failed: MixedFit) -> MixedFit:
    """Fall back to ordinary least squares, every random variance nought."""
    y, X = asked.response, asked.design
    n, p = X.shape
    coefficients, _, rank, _ = np.linalg.lstsq(X, y, rcond=None)
    fitted = X @ coefficients
    free = n - int(rank)
    variance = float(np.sum((y - fitted) ** 2)) / free if free > 0 else 0.0
    loglik = float(-0.5 * n * (np.log(2 * np.pi * variance) + 1)) if variance > 1e-300 else np.nan
    notes = (
        *failed.warnings,
        "least_squares: the mixed model could not be fitted; these are ordinary least squares without random effects",
    )
    if not free:
        notes += ("no_residual: there are no rows left to estimate the residual from, so standard errors are nought",)
    return replace(
        failed,
        coefficients=coefficients.astype(np.float64),
        covariance=np.asarray(variance * np.linalg.pinv(X.T @ X), dtype=np.float64),
        df=np.full(p, float(max(free, 1))),
        residual_sd=float(np.sqrt(variance)),
        dispersion=variance,
        loglik=loglik,
        reml=False,
        fitted=fitted,
        singular=True,
        warnings=notes,
    )


def linear_scores(
    fit: MixedFit, response: Floats, design: Floats, random: tuple[RandomTerm, ...], clusters: Ints
) -> ClusterScores:
    """Return each cluster's score and information for the fixed effects, given the fitted variances.

    With V = σ² I + Z G Zᵀ, cluster c contributes the score X_cᵀ (V⁻¹ r)_c and the information X_cᵀ (V⁻¹ X)_c. V⁻¹ is
    applied through the Woodbury identity with one sparse factorisation, so 10⁵ rows take a fraction of a second.

    Parameters
    ----------
    fit : MixedFit
        Of the same response, design and random terms.
    clusters : array, shape (n,)
        Code of each row's cluster, as a rule the outermost grouping (the block).

    Returns
    -------
    ClusterScores
        Columns left out of the fit are left out here. If a random grouping with variance crosses the clusters, they
        are not independent, and a warning says so.
    """
    order = canonical_order(response, design, (clusters, *(term.groups for term in random)))
    response, design, clusters = response[order], design[order], clusters[order]
    random = tuple(term.take(order) for term in random)
    keep = ~fit.left_out
    residual = response - design[:, keep] @ fit.coefficients[keep]
    both = np.column_stack([design[:, keep], residual])
    weighted = _apply_inverse(fit, random, both)
    ids, code = np.unique(clusters, return_inverse=True)
    order = np.argsort(code, kind="stable")
    starts = np.searchsorted(code[order], np.arange(len(ids)))
    X, W = design[order][:, keep], weighted[order]
    scores = np.add.reduceat(X * W[:, -1:], starts, axis=0)
    ends = np.append(starts[1:], len(code))
    information = np.stack([X[s:e].T @ W[s:e, :-1] for s, e in zip(starts, ends, strict=True)])
    information = (information + information.transpose(0, 2, 1)) / 2
    return ClusterScores(
        names=tuple(name for name, kept in zip(fit.names, keep, strict=True) if kept),
        clusters=ids,
        scores=scores,
        information=information,
        warnings=_crossings(random, fit.components, code),
    )


def _crossings(
    random: tuple[RandomTerm, ...], components: tuple[VarianceComponent, ...], code: Ints
) -> tuple[str, ...]:
    """Name the groupings whose groups lie in several clusters though they vary."""
    notes = []
    for term, component in zip(random, components, strict=True):
        if component.sd.max() > 0 and _crosses(term.groups, code).any():
            notes.append(f"crossed: groups of {term.name} lie in several clusters, so the clusters are not independent")
    return tuple(notes)


def _crosses(groups: Ints, code: Ints) -> Bools:
    """Tell for each group whether its rows lie in several clusters."""
    _, group = np.unique(groups, return_inverse=True)
    low = np.full(group.max() + 1, code.max() + 1)
    high = np.full(group.max() + 1, -1)
    np.minimum.at(low, group, code)
    np.maximum.at(high, group, code)
    return np.asarray(low != high, dtype=np.bool_)


def _apply_inverse(fit: MixedFit, random: tuple[RandomTerm, ...], values: Floats) -> Floats:
    """Multiply V⁻¹ into the columns of `values`."""
    from scipy import sparse
    from scipy.sparse.linalg import splu

    variance = max(fit.dispersion, 1e-300)
    blocks = [
        _scaled_columns(term, component, variance)
        for term, component in zip(random, fit.components, strict=True)
        if component.sd.max() > 0
    ]
    if not blocks:
        return values / variance
    Z = sparse.hstack(blocks, format="csr")
    inner = (sparse.eye_array(Z.shape[1]) + Z.T @ Z).tocsc()
    factor = splu(inner, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
    solved: Floats = (values - Z @ factor.solve(np.asarray(Z.T @ values))) / variance
    return solved


def _scaled_columns(term: RandomTerm, component: VarianceComponent, variance: float) -> "csr_array":
    """Return Z T / σ as a sparse matrix, where T Tᵀ is the covariance of the effects."""
    from scipy.sparse import csr_array

    values, vectors = np.linalg.eigh(component.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0) / variance)
    _, group = np.unique(term.groups, return_inverse=True)
    n, q = len(group), len(root)
    columns = group[:, None] * q + np.arange(q)
    data = term.columns() @ root
    shape = (n, (int(group.max()) + 1) * q)
    return csr_array((data.ravel(), columns.ravel(), np.arange(0, n * q + 1, q)), shape=shape)
