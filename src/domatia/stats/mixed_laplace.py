"""Mixed models for proportions, ordered classes and counts, with random intercepts in one or two groupings.

Estimates maximise the Laplace-approximated marginal likelihood (Breslow & Clayton 1993, JASA 88:9-25; Kristensen et
al. 2016, J. Statistical Software 70(5)) with exact gradients; standard errors come from its second derivative. The
two groupings may be nested (unit in block) or crossed. Not covered: random slopes, more than two groupings, adaptive
quadrature; with very few trials in each group the approximation understates the variances.
"""

from dataclasses import dataclass, replace

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.cluster_scores import ClusterScores
from domatia.stats.families import Family, Link
from domatia.stats.laplace_groups import arrange
from domatia.stats.laplace_likelihood import Evaluation, Problem
from domatia.stats.laplace_search import Found, independent_columns, search, second_derivatives
from domatia.stats.mixed_fit import RandomTerm, check_rows

NEGLIGIBLE_SD = 0.1
NEGLIGIBLE_GAIN = 1e-5
FRESH_SD = 0.3
FAR_OUT = 12.0
HUGE_SD = 8.0
RESPONSE_FIELDS = ("successes", "trials", "proportion", "classes", "counts", "exposure")


@dataclass(frozen=True)
class LaplaceFit:
    """A fitted mixed model of proportions, ordered classes or counts.

    Attributes
    ----------
    link : str
        ``"logit"``, ``"ordered"`` or ``"log"``.
    names : tuple of str
        Names of the coefficients.
    coefficients : array, shape (p,)
        On the scale of the linear predictor; nan for a column left out (`left_out`).
    covariance : array, shape (p, p)
        Model-based covariance of the coefficients; nan for columns left out.
    parameter_names : tuple of str
        Of all P estimated parameters: kept coefficients, ``"log sd NAME"`` of each grouping with variance, shape.
    parameters : array, shape (P,)
    parameter_covariance : array, shape (P, P)
        Model-based (inverse observed information).
    random_names : tuple of str
        Groupings in the order asked.
    random_sd : array, shape (1 or 2,)
        Standard deviations of the random intercepts; nought where singular.
    shape : array
        Precision of the beta families, shape of the negative binomial, thresholds of the ordered classes; else empty.
    loglik : float
        Laplace-approximated log-likelihood, all constants included.
    modes : tuple of array
        Random intercept of each group, in the order asked, groups by ascending code.
    predictor : array, shape (n,)
        Linear predictor with random effects, in the caller's row order.
    scores : ClusterScores or None
        Score and information of each cluster for all P parameters, for a robust covariance.
    left_out : array of bool, shape (p,)
    converged, singular : bool
    warnings : tuple of str
        What the reader must know, each ``"code: sentence"``.
    n_rows : int
    n_groups : tuple of int
    """

    link: Link
    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    parameter_names: tuple[str, ...]
    parameters: Floats
    parameter_covariance: Floats
    random_names: tuple[str, ...]
    random_sd: Floats
    shape: Floats
    loglik: float
    modes: tuple[Floats, ...]
    predictor: Floats
    scores: ClusterScores | None
    left_out: Bools
    converged: bool
    singular: bool
    warnings: tuple[str, ...]
    n_rows: int
    n_groups: tuple[int, ...]

    @property
    def standard_errors(self) -> Floats:
        """Model-based standard errors of the coefficients, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))


def fit_laplace(
    family: Family,
    design: Floats,
    names: tuple[str, ...],
    random: tuple[RandomTerm, ...],
    *,
    weights: Floats | None = None,
    clusters: Ints | None = None,
) -> LaplaceFit:
    """Fit the model.

    Parameters
    ----------
    family : Family
        Responses and distribution: `Binomial`, `BetaBinomial`, `Beta`, `Ordered`, `Poisson` or `NegativeBinomial`.
    design : array, shape (n, p)
        Fixed-effect columns; a column of ones for the intercept, but none for the ordered family (its thresholds
        take that place).
    names : tuple of str
    random : tuple of RandomTerm
        One or two groupings without slopes; the inner one needs distinct codes across outer groups.
    weights : array, shape (n,), or None
        How often each row counts; positive.
    clusters : array, shape (n,), or None
        Independent clusters for `scores`; default the grouping with fewest groups.

    Raises
    ------
    ValueError
        If arrays do not fit together, or slopes or more than two groupings are asked for.
    """
    _check(family, design, names, random, weights)
    finest = sorted(random, key=lambda term: -len(np.unique(term.groups)))
    keep = independent_columns(design, with_constant=family.link == "ordered")
    outer = finest[1].groups if len(finest) > 1 else None
    ties = (*family_ties(family), *design.T)
    groups = arrange(finest[0].groups, outer, ties if weights is None else (weights, *ties))
    active = np.array([len(groups.inner_ids) > 1, len(groups.outer_ids) > 1])
    ordered_weights = None if weights is None else weights[groups.order]
    kept_design = np.ascontiguousarray(design[groups.order][:, keep])
    problem = Problem(family.take(groups.order), kept_design, groups, ordered_weights, active)
    problem, found = _settle_variances(problem)
    hessian, evaluation, cell_hessians = second_derivatives(problem, found)
    result = _assemble((names, random, keep), finest, problem, (found, evaluation, hessian))
    home = finest[-1].groups if clusters is None else clusters
    return replace(result, scores=_scores(problem, (result, evaluation, cell_hessians), home[groups.order]))


def _check(
    family: Family, design: Floats, names: tuple[str, ...], random: tuple[RandomTerm, ...], weights: Floats | None
) -> None:
    """Refuse what the approximation does not cover."""
    check_rows(np.zeros(family.rows()), design, names, tuple(term.groups for term in random))
    if not 1 <= len(random) <= 2:
        raise ValueError(f"mixed model: {len(random)} groupings were asked for; one or two are possible here")
    if any(term.slope_names for term in random):
        raise ValueError("mixed model: random slopes are not possible for this family; give groupings without slopes")
    if weights is not None and not (len(weights) == family.rows() and np.all(weights > 0)):
        raise ValueError("mixed model: weights must be positive, one for each row; leave out rows that do not count")


def family_ties(family: Family) -> tuple[Floats, ...]:
    """Return the response columns, to settle the order of rows within a cell."""
    responses = (getattr(family, field, None) for field in RESPONSE_FIELDS)
    return tuple(np.asarray(r, dtype=np.float64) for r in responses if r is not None)


def _settle_variances(problem: Problem) -> tuple[Problem, Found]:
    """Fit; where a standard deviation is hardly above nought, take it as nought if that fits as well."""
    found = search(problem, None)
    while True:
        p = problem.design.shape[1]
        positions = np.flatnonzero(problem.active)
        logs = found.evaluation.parameters[p : p + len(positions)]
        small = positions[np.argsort(logs)][: int(np.sum(logs < np.log(NEGLIGIBLE_SD)))]
        simpler = []
        for position in small:
            active = problem.active.copy()
            active[position] = False
            start = np.delete(found.evaluation.parameters, p + int(np.searchsorted(positions, position)))
            reduced = replace(problem, active=active)
            simpler.append((reduced, _from_afresh(reduced, search(reduced, start))))
        if not simpler:
            return problem, found
        best = min(simpler, key=lambda one: one[1].evaluation.value)
        if best[1].evaluation.value > found.evaluation.value + NEGLIGIBLE_GAIN:
            return problem, found
        problem, found = best


def _from_afresh(problem: Problem, found: Found) -> Found:
    """Search again from a usual standard deviation where the search ended near nought, and give the better end.

    Near nought the likelihood is flat in the log of a standard deviation, and a search that came there together with
    another grouping's does not leave it again by itself.
    """
    p, number = problem.design.shape[1], int(problem.active.sum())
    logs = found.evaluation.parameters[p : p + number]
    if not np.any(logs < np.log(NEGLIGIBLE_SD)):
        return found
    start = found.evaluation.parameters.copy()
    start[p : p + number] = np.maximum(logs, np.log(FRESH_SD))
    other = search(problem, start)
    return other if other.evaluation.value < found.evaluation.value else found


def _assemble(
    asked: tuple[tuple[str, ...], tuple[RandomTerm, ...], Bools],
    finest: list[RandomTerm],
    problem: Problem,
    fitted: tuple[Found, Evaluation, Floats],
) -> LaplaceFit:
    """Put the result together in the caller's order of columns, groupings and rows."""
    names, random, keep = asked
    found, evaluation, hessian = fitted
    groups = problem.groups
    coefficients, s1, s2, shape = problem.split(evaluation.parameters)
    covariance, notes = _covariance(hessian)
    p, kept = len(names), int(keep.sum())
    full, table = np.full(p, np.nan), np.full((p, p), np.nan)
    full[keep] = coefficients
    table[np.ix_(keep, keep)] = covariance[:kept, :kept]
    sd = {finest[0].name: s1} | ({finest[1].name: s2} if len(finest) > 1 else {})
    modes = {finest[0].name: s1 * evaluation.inner} | (
        {finest[1].name: s2 * evaluation.outer} if len(finest) > 1 else {}
    )
    predictor = np.empty(len(groups.order))
    predictor[groups.order] = evaluation.predictor
    kept_names = tuple(n for n, k in zip(names, keep, strict=True) if k)
    varying = [f"log sd {t.name}" for t, on in zip(finest, problem.active[: len(finest)], strict=True) if on]
    singular = not all(sd.values())
    notes += _notes(problem, found, evaluation, tuple(n for n, k in zip(names, keep, strict=True) if not k))
    notes += tuple(
        f"no_finite_variance: groups of {t.name} lie nearly all at one end, so their variance has no finite estimate"
        for t in finest
        if sd[t.name] > HUGE_SD
    )
    notes += tuple(
        _nought(t, groups.inner_ids if t is finest[0] else groups.outer_ids) for t in finest if not sd[t.name]
    )
    return LaplaceFit(
        link=problem.family.link,
        names=names,
        coefficients=full,
        covariance=table,
        parameter_names=(*kept_names, *varying, *problem.family.shape_names),
        parameters=evaluation.parameters,
        parameter_covariance=covariance,
        random_names=tuple(t.name for t in random),
        random_sd=np.array([sd[t.name] for t in random]),
        shape=problem.family.natural_shape(shape),
        loglik=-evaluation.value,
        modes=tuple(modes[t.name] for t in random),
        predictor=predictor,
        scores=None,
        left_out=~keep,
        converged=found.converged,
        singular=singular,
        warnings=tuple(dict.fromkeys(notes)),
        n_rows=len(predictor),
        n_groups=tuple(len(modes[t.name]) for t in random),
    )


def _nought(term: RandomTerm, ids: Ints) -> str:
    """Say why a grouping has no variance."""
    if len(ids) == 1:
        return f"one_group: {term.name} has a single group, so its variance cannot be estimated and was taken as nought"
    return f"singular: the variance between groups of {term.name} is estimated as nought"


def _covariance(hessian: Floats) -> tuple[Floats, tuple[str, ...]]:
    """Invert the information; directions without information get a large but finite variance, and a word."""
    scale = np.sqrt(np.maximum(np.abs(np.diag(hessian)), 1e-12))
    values, vectors = np.linalg.eigh(hessian / np.outer(scale, scale))
    floor = 1e-8
    flat = values < floor
    inverse = (vectors / np.maximum(values, floor)) @ vectors.T / np.outer(scale, scale)
    note = "flat_likelihood: the data hardly determine some parameter; its standard error is a lower limit"
    return inverse, ((note,) if flat.any() else ())


def _notes(problem: Problem, found: Found, evaluation: Evaluation, gone: tuple[str, ...]) -> tuple[str, ...]:
    """Gather what the reader must know."""
    coefficients, _, _, shape = problem.split(evaluation.parameters)
    notes = list(problem.family.notes(shape))
    if gone:
        notes.append(f"left_out: {', '.join(gone)} is a combination of other covariates and was left out")
    if not found.converged:
        notes.append("not_converged: the search for the estimates stopped early")
    if len(coefficients) and _reach(problem.design @ coefficients, problem.family.link) > FAR_OUT:
        notes.append("separation: some covariate predicts the response fully; its coefficient has no finite estimate")
    return tuple(notes)


def _reach(predictor: Floats, link: Link) -> float:
    """Return how far the fixed predictor lies from the middle: of 0 for proportions, of its own range for counts."""
    middle = float(predictor.max() + predictor.min()) / 2 if link == "log" else 0.0
    return float(np.abs(predictor - middle).max())


def _scores(problem: Problem, fitted: tuple[LaplaceFit, Evaluation, Floats], clusters: Ints) -> ClusterScores:
    """Sum the cells' scores and information to clusters."""
    result, evaluation, cell_hessians = fitted
    first = clusters[problem.groups.starts]
    ids, code = np.unique(first, return_inverse=True)
    notes: tuple[str, ...] = ()
    if not np.array_equal(np.repeat(first, problem.groups.counts), clusters):
        notes = ("crossed: rows of one cell lie in several clusters; each cell counts with its first row",)
    _, inner_home = np.unique(code * 1.0 + 1j * problem.groups.inner, return_inverse=True)
    if problem.active[0] and len(np.unique(inner_home)) > len(problem.groups.inner_ids):
        notes += ("crossed: groups of the finer grouping lie in several clusters, so the clusters are not independent",)
    size = (len(ids), problem.n_parameters)
    scores, information = np.zeros(size), np.zeros((*size, size[1]))
    np.add.at(scores, code, -evaluation.parts)
    np.add.at(information, code, cell_hessians)
    information = (information + information.transpose(0, 2, 1)) / 2
    return ClusterScores(result.parameter_names, ids, scores, information, notes)
