"""Pooling effects of several studies: random effects by restricted maximum likelihood.

An effect `y_i` of study `i` is known with the sampling variance `v_i`; true effects differ between studies with the
variance tau squared, which is estimated by REML. Levels may be nested (several effects a study), sampling errors may be
correlated (effects that share one control), and the mean may depend on columns such as the taxon.

The interval of the mean is that of Knapp and Hartung: the standard error is scaled by how far effects scatter, with t
quantiles. With nested levels or correlated errors the model's own standard error is taken, with t quantiles of as many
degrees of freedom as there are studies beyond the columns (common practice, no source). The prediction interval is for
the true effect of one further study.

Sources
-------
Viechtbauer 2005, J. Educ. Behav. Stat. 30:261 (REML); Knapp & Hartung 2003, Stat. Med. 22:2693; Higgins, Thompson &
Spiegelhalter 2009, J. R. Stat. Soc. A 172:137 (prediction interval, heterogeneity); Viechtbauer 2007, Stat. Med. 26:37
(interval of tau squared from Q); Konstantopoulos 2011, Res. Synth. Methods 2:61 (several levels).

It does not cover effects whose sampling variances are themselves poorly known (very small studies).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import stdtr, stdtrit
from scipy.stats import chi2

from domatia.stats.arrays import Floats, Ints

_STEPS = 200
_DONE = 1e-12
_SLACK = 1e-13
"""Rounding of a log-likelihood: steps near the top may seem to descend by so much."""


@dataclass(frozen=True, eq=False)
class Pooled:
    """The pooled effect.

    Attributes
    ----------
    coefficients, se, low, high, p : array (columns,)
        One for each column of the design; without columns the mean alone. `se` is Knapp and Hartung's where effects
        are independent, else the model's.
    plain_se : array (columns,)
        Standard errors by the model alone.
    df : int
        Degrees of freedom of the t quantiles.
    predict_low, predict_high : float
        Where the true effect of a further study lies, for the first column alone; `nan` with more columns.
    tau2 : array (components,)
        Variances of the true effects, one a level, outermost first.
    i2 : float
        Share of the scatter between effects that is not sampling error, of a typical effect.
    q, q_p : float
        Cochran's Q and its p value with `effects - columns` degrees of freedom.
    effects, studies : int
    log_likelihood : float
        Restricted log-likelihood.
    level : float
    """

    coefficients: Floats
    se: Floats
    low: Floats
    high: Floats
    p: Floats
    plain_se: Floats
    df: int
    predict_low: float
    predict_high: float
    tau2: Floats
    i2: float
    q: float
    q_p: float
    effects: int
    studies: int
    log_likelihood: float
    level: float


@dataclass(frozen=True, eq=False)
class _Parts:
    """What a given set of variances implies."""

    weights: Floats
    information: Floats
    coefficients: Floats
    projection: Floats
    residual: Floats
    log_likelihood: float


def pool(
    effects: Floats,
    variances: Floats,
    levels: Sequence[Ints] = (),
    design: Floats | None = None,
    level: float = 0.95,
) -> Pooled:
    """Pool effects by REML with Knapp and Hartung's interval.

    Parameters
    ----------
    effects : array (n,)
        On a scale on which they add: log ratios, differences.
    variances : array (n,) or (n, n)
        Sampling variances, or their covariance matrix where effects share a control.
    levels : sequence of int arrays (n,)
        Groupings of the effects, outermost first (a study that gives several effects; then the effects themselves as
        `arange(n)`). Empty for one level of independent studies.
    design : array (n, columns), optional
        Columns that the mean depends on; a column of ones if not given.
    level : float

    Raises
    ------
    ValueError
        If there are no more effects than columns, sizes differ, a value is not finite or a variance is not above 0.
    """
    y, v, x = _checked(effects, variances, design)
    n, columns = x.shape
    groups = [np.asarray(g, np.int64) for g in levels] or [np.arange(n)]
    if len(np.unique(groups[0])) <= columns:
        raise ValueError(f"{len(np.unique(groups[0]))} studies are too few for {columns} columns; one more is needed")
    shapes = [(g[:, None] == g[None, :]).astype(np.float64) for g in groups]
    tau2 = _reml(y, v, x, shapes)
    parts = _parts(y, v, x, shapes, tau2)
    studies = len(np.unique(groups[0]))
    df = studies - columns
    plain = np.linalg.inv(parts.information)
    independent = len(groups) == 1 and bool(np.all(v == np.diag(np.diag(v)))) and studies == n
    scale = float(parts.residual @ parts.weights @ parts.residual) / df if independent else 1.0
    se = np.sqrt(np.diag(plain * scale))
    half = _quantile(df, level) * se
    at = parts.coefficients
    q, typical = _heterogeneity(y, v, x)
    predict = _quantile(df, level) * float(np.sqrt(tau2.sum() + se[0] ** 2)) if columns == 1 else float("nan")
    return Pooled(
        coefficients=at,
        se=se,
        low=at - half,
        high=at + half,
        p=2 * stdtr(df, -np.abs(at) / np.where(se > 0, se, np.inf)),
        plain_se=np.sqrt(np.diag(plain)),
        df=df,
        predict_low=float(at[0]) - predict,
        predict_high=float(at[0]) + predict,
        tau2=tau2,
        i2=float(tau2.sum() / (tau2.sum() + typical)),
        q=q,
        q_p=float(chi2.sf(q, n - columns)),
        effects=n,
        studies=studies,
        log_likelihood=parts.log_likelihood,
        level=level,
    )


def tau2_interval(effects: Floats, variances: Floats, level: float = 0.95) -> tuple[float, float]:
    """Give the interval of tau squared at which Q takes its chi-squared quantiles (one level, independent effects).

    Raises
    ------
    ValueError
        As `pool`.
    """
    y, v, x = _checked(effects, variances, None)
    if np.any(v != np.diag(np.diag(v))):
        raise ValueError("the interval of tau squared is for independent effects; give their variances, not a matrix")
    own, df = np.diag(v), len(x) - 1

    def excess(tau2: float, quantile: float) -> float:
        w = 1 / (own + tau2)
        return float(w @ (y - (w @ y) / w.sum()) ** 2) - quantile

    ends = []
    for share in (0.5 - level / 2, 0.5 + level / 2):
        quantile, top = float(chi2.isf(share, df)), max(float(np.var(y)), 1e-8)
        while excess(top, quantile) > 0:
            top *= 2
        ends.append(0.0 if excess(0.0, quantile) <= 0 else float(brentq(excess, 0.0, top, (quantile,), xtol=1e-14)))
    return ends[0], ends[1]


def without_each(effects: Floats, variances: Floats, groups: Ints, levels: Sequence[Ints] = ()) -> list[Pooled]:
    """Pool again without each group of effects (a study, say), in the order of the sorted groups.

    Parameters
    ----------
    effects, variances, levels
        As for `pool`.
    groups : int array (n,)
        What is left out together.
    """
    v = np.asarray(variances, np.float64)
    found = []
    for g in np.unique(groups):
        kept = groups != g
        part = v[np.ix_(kept, kept)] if v.ndim == 2 else v[kept]
        found.append(pool(effects[kept], part, [one[kept] for one in levels]))
    return found


def lean(effects: Floats, variances: Floats) -> tuple[float, float, float]:
    """Test whether small studies give other effects than large ones (an unbalanced funnel).

    The effects' mean is let depend on their standard errors, by REML with Knapp and Hartung's test (Sterne & Egger
    2005, in Publication Bias in Meta-Analysis, Wiley, pp. 99-110).

    Returns
    -------
    slope, its standard error, p : float
    """
    se = np.sqrt(np.asarray(variances, np.float64))
    found = pool(effects, variances, design=np.column_stack([np.ones(len(se)), se]))
    return float(found.coefficients[1]), float(found.se[1]), float(found.p[1])


def _checked(effects: Floats, variances: Floats, design: Floats | None) -> tuple[Floats, Floats, Floats]:
    y = np.asarray(effects, np.float64)
    v = np.asarray(variances, np.float64)
    v = np.diag(v) if v.ndim == 1 else v
    x = np.ones((len(y), 1)) if design is None else np.asarray(design, np.float64)
    if v.shape != (len(y), len(y)) or len(x) != len(y):
        raise ValueError(f"{len(y)} effects, variances of shape {v.shape} and {len(x)} rows of columns do not fit")
    if len(y) <= x.shape[1]:
        raise ValueError(f"{len(y)} effects are too few for {x.shape[1]} columns; one more at least is needed")
    if not (np.isfinite(y).all() and np.isfinite(v).all() and np.isfinite(x).all()) or np.diag(v).min() <= 0:
        raise ValueError("effects must be finite and their variances above 0; leave out the others and say why")
    return y, v, x


def _quantile(df: int, level: float) -> float:
    return float(stdtrit(df, 0.5 + level / 2))


def _parts(y: Floats, v: Floats, x: Floats, shapes: Sequence[Floats], tau2: Floats) -> _Parts:
    whole = v + sum(t * s for t, s in zip(tau2, shapes, strict=True))
    weights = np.linalg.inv(whole)
    information = x.T @ weights @ x
    inverse = np.linalg.inv(information)
    beta = inverse @ (x.T @ weights @ y)
    projection = weights - weights @ x @ inverse @ x.T @ weights
    residual = y - x @ beta
    n, columns = x.shape
    value = -0.5 * (
        (n - columns) * np.log(2 * np.pi)
        - np.linalg.slogdet(x.T @ x)[1]
        + np.linalg.slogdet(whole)[1]
        + np.linalg.slogdet(information)[1]
        + residual @ weights @ residual
    )
    return _Parts(weights, information, beta, projection, residual, float(value))


def _reml(y: Floats, v: Floats, x: Floats, shapes: Sequence[Floats]) -> Floats:
    """Find the variances by scoring; a step that leaves the allowed range or does not climb is halved."""
    start = max(float(np.var(y, ddof=1)) - float(np.diag(v).mean()), float(np.var(y, ddof=1)) / 10)
    tau2 = np.full(len(shapes), start / len(shapes))
    now = _parts(y, v, x, shapes, tau2)
    for _ in range(_STEPS):
        p = now.projection
        turned = [p @ s for s in shapes]
        py = p @ y
        score = np.array([py @ s @ py - np.trace(t) for s, t in zip(shapes, turned, strict=True)])
        expected = np.array([[np.sum(a * b.T) for b in turned] for a in turned])
        free = (tau2 > 0) | (score > 0)
        if not free.any():
            break
        step = np.zeros_like(tau2)
        step[free] = np.linalg.lstsq(expected[np.ix_(free, free)], score[free], rcond=None)[0]
        for _ in range(60):
            tried = np.maximum(tau2 + step, 0.0)
            then = _parts(y, v, x, shapes, tried)
            if then.log_likelihood >= now.log_likelihood - _SLACK * (1 + abs(now.log_likelihood)):
                break
            step = step / 2
        else:
            break
        moved = float(np.abs(tried - tau2).max())
        tau2, now = tried, then
        if moved <= _DONE * (1e-6 + float(tau2.max())):
            break
    return tau2


def _heterogeneity(y: Floats, v: Floats, x: Floats) -> tuple[float, float]:
    """Give Cochran's Q and the sampling variance of a typical effect (Higgins & Thompson 2002, Stat. Med. 21:1539)."""
    weights = np.linalg.inv(v)
    inverse = np.linalg.inv(x.T @ weights @ x)
    projection = weights - weights @ x @ inverse @ x.T @ weights
    return float(y @ projection @ y), (len(y) - x.shape[1]) / float(np.trace(projection))
