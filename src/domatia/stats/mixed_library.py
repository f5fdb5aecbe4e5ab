"""The only caller of the mixed-model library: arrays in, `MixedFit` out, its warnings as values."""

import warnings as python_warnings
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.mixed_fit import MixedFit, RandomTerm, VarianceComponent, canonical_order, check_rows

if TYPE_CHECKING:
    import glmm

# The library's names for what it noticed, in our words. Kinds absent here are passed on by name.
SENTENCES = {
    "singular": "singular: a variance between groups is estimated as nought, or two effects as fully correlated",
    "single_level_grouping_dropped": "one_group: a grouping has one group, so its variance was taken as nought",
    "constant_response": "no_variation: every response is the same, so no model can be fitted",
    "too_few_rows": "too_few_rows: there are not more rows than coefficients",
    "few_rows_for_random_effects": "few_rows_per_group: as many random effects as rows; the variances are hardly known",
    "search_limit": "not_converged: the search for the variances stopped at its limit",
    "fit_failed": "not_converged: the search for the variances failed",
    "glm_diverged": "separation: the coefficients have no finite estimate",
    "ill_conditioned": "collinear: a covariate is almost a combination of others, so its standard error is large",
    "variance_at_limit": "variance_at_limit: a variance grew to its limit; the groups may explain everything",
    "se_unavailable": "no_standard_errors: the standard errors could not be computed",
    "hessian_se_fallback": "standard_errors_simplified: the standard errors may be too small",
    "nb_shape_unsettled": "shape_unsettled: the negative-binomial shape did not settle",
    "non_integer_response": "not_counts: some responses are not whole numbers",
    "precision_limited": "rounding: the numbers are so large that rounding limits the estimates",
    "pirls_exhausted": "inner_search: the last inner search ran out of steps; estimates may be inexact",
    "satterthwaite_curvature": "df_unavailable: degrees of freedom could not be computed; the normal is used",
}
# Steps of the library's own search that change no number.
SILENT = frozenset({"gradient_search_fallback", "exact_profile_fallback", "unused_grouping_levels", "rows_dropped_na"})


@dataclass(frozen=True)
class Asked:
    """One model to be fitted by the library."""

    response: Floats
    design: Floats
    names: tuple[str, ...]
    random: tuple[RandomTerm, ...]
    family: str
    reml: bool = False
    offset: Floats | None = None
    satterthwaite: bool = True


@dataclass(frozen=True)
class _Factor:
    """A grouping in the form that the library reads without looking at each row."""

    categories: list[str]
    codes: Ints


def in_order(asked: Asked) -> tuple[Asked, Ints]:
    """Check the rows and sort them, so that results do not depend on their order; return the order too."""
    groups = tuple(term.groups for term in asked.random)
    check_rows(asked.response, asked.design, asked.names, groups)
    keys = asked.design if asked.offset is None else np.column_stack([asked.design, asked.offset])
    order = canonical_order(asked.response, keys, groups)
    random = tuple(term.take(order) for term in asked.random)
    offset = None if asked.offset is None else asked.offset[order]
    moved = replace(asked, response=asked.response[order], design=asked.design[order], random=random, offset=offset)
    return moved, order


def restored(fit: MixedFit, order: Ints) -> MixedFit:
    """Put fitted values back in the caller's row order."""
    fitted = np.empty_like(fit.fitted)
    fitted[order] = fit.fitted
    return replace(fit, fitted=fitted)


def fit(asked: Asked) -> MixedFit:
    """Fit the model to rows in order; every warning of the library becomes a value of the result."""
    import glmm

    data: dict[str, Floats | _Factor] = {"y": np.ascontiguousarray(asked.response, dtype=np.float64)}
    data |= {f"x{j}": np.ascontiguousarray(asked.design[:, j]) for j in range(asked.design.shape[1])}
    sizes = []
    for t, term in enumerate(asked.random):
        levels, codes = np.unique(term.groups, return_inverse=True)
        sizes.append(len(levels))
        data[f"g{t}"] = _Factor([str(level) for level in range(len(levels))], codes.astype(np.int64))
    formula = _formula(asked)
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        try:
            found = glmm.fit(
                data,
                formula,
                asked.family,
                offset=asked.offset,
                satterthwaite=asked.satterthwaite and asked.family == "gaussian",
                reml=asked.reml if asked.family == "gaussian" else None,
                anova_test="Wald",
            )
        except (ValueError, RuntimeError, ArithmeticError) as error:
            return unfitted(asked, (f"not_fitted: {error}",), tuple(sizes))
    return _translate(asked, found, tuple(sizes))


def _formula(asked: Asked) -> str:
    """Write the model in the library's notation, with columns named by position."""
    fixed = " + ".join(f"x{j}" for j in range(asked.design.shape[1]))
    parts = []
    for t, term in enumerate(asked.random):
        slopes = [_fixed_column(asked, term, k) for k in range(len(term.slope_names))]
        parts.append("(" + " + ".join(["1", *slopes]) + f" | g{t})")
    return "y ~ 0 + " + " + ".join([fixed, *parts])


def _fixed_column(asked: Asked, term: RandomTerm, slope: int) -> str:
    """Find the fixed effect whose coefficient the slope lets vary."""
    wanted = term.columns()[:, slope + 1]
    for j in range(asked.design.shape[1]):
        if np.array_equal(asked.design[:, j], wanted):
            return f"x{j}"
    name = term.slope_names[slope]
    raise ValueError(f"mixed model: the random slope {name} must be a column of the design too; add it there")


def unfitted(asked: Asked, notes: tuple[str, ...], sizes: tuple[int, ...]) -> MixedFit:
    """Give the answer of a model that could not be fitted: nan with the reason."""
    p = asked.design.shape[1]
    blank = tuple(
        VarianceComponent(t.name, ("intercept", *t.slope_names), np.zeros((t.columns().shape[1],) * 2))
        for t in asked.random
    )
    return MixedFit(
        names=asked.names,
        coefficients=np.full(p, np.nan),
        covariance=np.full((p, p), np.nan),
        df=np.full(p, np.inf),
        components=blank,
        residual_sd=np.nan,
        dispersion=np.nan,
        loglik=np.nan,
        reml=asked.reml,
        fitted=np.full(len(asked.response), float(np.mean(asked.response))),
        left_out=np.zeros(p, dtype=bool),
        converged=False,
        singular=False,
        warnings=notes,
        n_rows=len(asked.response),
        n_groups=sizes,
    )


def _translate(asked: Asked, found: "glmm.Fit", sizes: tuple[int, ...]) -> MixedFit:
    """Turn the library's result into ours."""
    notes = _notes(asked, found)
    if not len(found.fitted) or not np.isfinite(found.beta[~found.aliased]).all():
        return unfitted(asked, notes, sizes)
    gaussian = asked.family == "gaussian"
    df = np.where(np.isfinite(found.coef_df), found.coef_df, np.inf)
    return MixedFit(
        names=asked.names,
        coefficients=np.array(found.beta),
        covariance=np.array(found.vcov).reshape(len(found.beta), -1),
        df=df if gaussian else np.full(len(df), np.inf),
        components=_components(asked.random, found),
        residual_sd=float(np.sqrt(found.dispersion)) if gaussian else np.nan,
        dispersion=float(found.dispersion),
        loglik=float(found.loglik),
        reml=asked.reml,
        fitted=np.array(found.fitted),
        left_out=np.array(found.aliased),
        converged=bool(found.converged),
        singular=bool(found.singular),
        warnings=notes,
        n_rows=len(asked.response),
        n_groups=sizes,
    )


def _notes(asked: Asked, found: "glmm.Fit") -> tuple[str, ...]:
    """Translate the library's warnings and add what it says only by flags."""
    notes = []
    for note in found.warnings:
        beside_the_point = note["kind"] == "satterthwaite_curvature" and not found.converged
        if note["kind"] not in SILENT and not beside_the_point:
            notes.append(SENTENCES.get(note["kind"], f"{note['kind']}: {note['message']}"))
    if found.aliased.any():
        gone = ", ".join(name for name, out in zip(asked.names, found.aliased, strict=True) if out)
        notes.append(f"left_out: {gone} is a combination of other covariates and was left out")
    if not found.converged and not notes:
        notes.append(SENTENCES["fit_failed"])
    return tuple(dict.fromkeys(notes))


def _components(random: tuple[RandomTerm, ...], found: "glmm.Fit") -> tuple[VarianceComponent, ...]:
    """Read the variance components back in the order asked; a dropped grouping has variance nought."""
    tables: dict[str, list[Floats]] = {}
    for (group, _), packed in zip(found.re_groups, found.varcorr, strict=True):
        tables.setdefault(group, []).append(_unpack(np.asarray(packed, dtype=np.float64)))
    result = []
    for t, term in enumerate(random):
        q = 1 + len(term.slope_names)
        table = np.zeros((q, q))
        start = 0
        for block in tables.get(f"g{t}", []):
            table[start : start + len(block), start : start + len(block)] = block
            start += len(block)
        result.append(VarianceComponent(term.name, ("intercept", *term.slope_names), table))
    return tuple(result)


def _unpack(packed: Floats) -> Floats:
    """Unfold a lower triangle kept column by column into a symmetric matrix."""
    q = int((np.sqrt(1 + 8 * len(packed)) - 1) / 2 + 0.5)
    table = np.zeros((q, q))
    row, column = np.triu_indices(q)
    table[row, column] = packed
    table[column, row] = packed
    return table
