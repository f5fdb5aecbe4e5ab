"""From named columns to a design matrix: numbers, categories with treatment contrasts, centring, interactions.

A `Coding` is made once from the data and then applied to other rows as well (the same units under another
treatment), with the same centres and the same columns. Treatment contrasts: each level but the reference has a column
that is 1 in that level (McCullagh & Nelder 1989, Generalized Linear Models, 2nd ed., section 3.4).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from domatia.stats.arrays import Floats, Ints

INTERCEPT = "intercept"


@dataclass(frozen=True)
class Category:
    """A column of categories.

    Attributes
    ----------
    codes : array, shape (n,)
        Position of each row's level in `levels`.
    levels : tuple of str
        Names of the levels; the first is the reference unless another is asked for.
    """

    codes: Ints
    levels: tuple[str, ...]


Columns = Mapping[str, Floats | Category]


@dataclass(frozen=True)
class Coding:
    """How named columns become a matrix.

    Attributes
    ----------
    terms : tuple of tuple of str
        Main effects as one name, interactions as several.
    intercept : bool
        Whether the first column is of ones.
    centres : dict of str to float
        What is subtracted from each numeric column.
    levels : dict of str to tuple of str
        Levels of each category that occur, the reference first.
    names : tuple of str
        Names of the matrix's columns.
    term_of : tuple of int
        Position in `terms` of each column; -1 for the intercept.
    """

    terms: tuple[tuple[str, ...], ...]
    intercept: bool
    centres: dict[str, float]
    levels: dict[str, tuple[str, ...]]
    names: tuple[str, ...]
    term_of: tuple[int, ...]

    def columns_of(self, *term: str) -> Ints:
        """Return the positions of a term's columns.

        Raises
        ------
        ValueError
            If there is no such term.
        """
        if term not in self.terms:
            known = ", ".join(" x ".join(t) for t in self.terms)
            raise ValueError(f"there is no term {' x '.join(term)}; there are {known or 'none'}")
        return np.flatnonzero(np.array(self.term_of) == self.terms.index(term))


def make_coding(
    columns: Columns,
    terms: Sequence[Sequence[str]],
    *,
    intercept: bool = True,
    centred: Sequence[str] = (),
    references: Mapping[str, str] | None = None,
) -> Coding:
    """Decide the columns of a design from the data.

    Parameters
    ----------
    columns : mapping of str to array or Category
        All of one length.
    terms : sequence of sequence of str
        ``("light",)`` is a main effect, ``("treatment", "light")`` an interaction; the parts of an interaction must be
        terms too.
    intercept : bool
        False where something else takes its place (thresholds of ordered classes); contrasts stay the same.
    centred : sequence of str
        Numeric columns from which their mean is subtracted.
    references : mapping of str to str
        Reference level of a category, if not its first level that occurs.

    Raises
    ------
    ValueError
        All that is wrong with the request, at once.
    """
    references = references or {}
    wanted = tuple(tuple(term) for term in terms)
    problems = _problems(columns, wanted, centred, references)
    if problems:
        raise ValueError("design: " + "; ".join(problems))
    used = {name for term in wanted for name in term}
    levels, centres = {}, {}
    for name in sorted(used):
        column = columns[name]
        if isinstance(column, Category):
            seen = [column.levels[code] for code in np.unique(column.codes)]
            first = references.get(name, seen[0])
            levels[name] = (first, *(level for level in seen if level != first))
        else:
            centres[name] = float(np.mean(np.sort(column))) if name in centred else 0.0
    names, term_of = ([INTERCEPT], [-1]) if intercept else ([], [])
    for position, term in enumerate(wanted):
        parts = [[name] if name in centres else [f"{name}[{level}]" for level in levels[name][1:]] for name in term]
        for combination in product(*parts):
            names.append(" x ".join(combination))
            term_of.append(position)
    return Coding(wanted, intercept, centres, levels, tuple(names), tuple(term_of))


def _problems(
    columns: Columns, terms: tuple[tuple[str, ...], ...], centred: Sequence[str], references: Mapping[str, str]
) -> list[str]:
    """Gather all that is wrong with a request."""
    used = [name for term in terms for name in term]
    problems = [f"there is no column {name}" for name in dict.fromkeys([*used, *centred]) if name not in columns]
    lengths = {name: _length(columns[name]) for name in columns}
    if len(set(lengths.values())) > 1:
        problems.append("columns differ in length: " + ", ".join(f"{k} {v}" for k, v in lengths.items()))
    problems += [f"the term {' x '.join(t)} is asked for twice" for t in set(terms) if terms.count(t) > 1]
    problems += [f"the interaction {' x '.join(t)} names a column twice" for t in terms if len(set(t)) < len(t)]
    singles = {t[0] for t in terms if len(t) == 1}
    for term in terms:
        missing = [name for name in term if len(term) > 1 and name not in singles]
        problems += [f"the interaction {' x '.join(term)} needs the main effect {name}" for name in missing]
    for name in dict.fromkeys(n for n in [*used, *centred] if n in columns):
        problems += _column_problems(name, columns[name], name in centred, references.get(name))
    return problems


def _length(column: Floats | Category) -> int:
    return len(column.codes) if isinstance(column, Category) else len(column)


def _column_problems(name: str, column: Floats | Category, centred: bool, reference: str | None) -> list[str]:
    """Gather what is wrong with one column."""
    if not isinstance(column, Category):
        bad = int(np.sum(~np.isfinite(column)))
        problems = [f"{name} has {bad} missing values; leave such rows out first"] if bad else []
        return problems + ([f"{name} is a number and has no reference level"] if reference is not None else [])
    problems = [f"{name} is a category and cannot be centred"] if centred else []
    if np.any((column.codes < 0) | (column.codes >= len(column.levels))):
        return [*problems, f"{name} has codes that are no level; leave rows without a level out first"]
    seen = {column.levels[code] for code in np.unique(column.codes)}
    if reference is not None and reference not in seen:
        problems.append(f"{name} has no row in its reference {reference}; it has {', '.join(sorted(seen))}")
    return problems


def build_matrix(coding: Coding, columns: Columns) -> Floats:
    """Build the matrix of the coding for these rows.

    Returns
    -------
    array, shape (n, columns of the coding)

    Raises
    ------
    ValueError
        If a column is missing or of another kind, or a row's level is not in the coding.
    """
    used = sorted({name for term in coding.terms for name in term})
    missing = [name for name in used if name not in columns]
    if missing:
        raise ValueError(f"design: there is no column {', '.join(missing)}")
    n = _length(next(iter(columns.values()))) if columns else 0
    pieces = {name: _pieces(coding, name, columns[name]) for name in used}
    parts = [np.ones((n, 1))] if coding.intercept else []
    for term in coding.terms:
        block = np.ones((n, 1))
        for name in term:
            block = (block[:, :, None] * pieces[name][:, None, :]).reshape(n, -1)
        parts.append(block)
    return np.hstack(parts) if parts else np.zeros((n, 0))


def _pieces(coding: Coding, name: str, column: Floats | Category) -> Floats:
    """Return the columns of one main effect."""
    if isinstance(column, Category) != (name in coding.levels):
        raise ValueError(f"design: {name} was {'a category' if name in coding.levels else 'a number'} in the coding")
    if not isinstance(column, Category):
        return np.asarray(column - coding.centres[name], dtype=np.float64)[:, None]
    known = coding.levels[name]
    position = np.array([known.index(level) if level in known else -1 for level in column.levels])[column.codes]
    if np.any(position < 0):
        strange = sorted({column.levels[code] for code in column.codes[position < 0]})
        raise ValueError(f"design: {name} has rows in {', '.join(strange)}, which the coding does not know")
    return np.asarray(position[:, None] == np.arange(1, len(known)), dtype=np.float64)


def with_value(columns: Columns, name: str, value: float | str) -> dict[str, Floats | Category]:
    """Return the same rows with one column set to a value (a number, or a level's name).

    Raises
    ------
    ValueError
        If there is no such column or level.
    """
    if name not in columns:
        raise ValueError(f"design: there is no column {name}; there are {', '.join(columns)}")
    old = columns[name]
    if isinstance(old, Category):
        if value not in old.levels:
            raise ValueError(f"design: {name} has no level {value}; it has {', '.join(old.levels)}")
        new: Floats | Category = Category(np.full_like(old.codes, old.levels.index(str(value))), old.levels)
    elif isinstance(value, str):
        raise ValueError(f"design: {name} is a number; {value!r} is not")
    else:
        new = np.full(len(old), float(value))
    return {**columns, name: new}
