"""Log-likelihood of a multi-state model seen as a panel, with its exact gradient and scoring information.

Method: Kalbfleisch and Lawless (1985), Journal of the American Statistical Association 80: 863–871. The intensities
of a covariate row x are log q = β₀ + xβ and hold from one visit to the next. A state entered at an exactly known
time adds Σ p(s) q(s → it) (Jackson 2011, Journal of Statistical Software 38(8), equation 3).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from domatia.stats import transition_rows
from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.multistate_cells import Cells
from domatia.stats.multistate_chains import ChainScore, run_chains
from domatia.stats.multistate_design import Design
from domatia.stats.multistate_pattern import Pattern
from domatia.stats.transition_rows import Rows

TINY = 1e-300


@dataclass(frozen=True, eq=False)
class Scoring:
    """Value, gradient and information at a point; derivatives are by the design's own coefficients."""

    value: float
    gradient: Floats
    information: Floats


class Likelihood:
    """The log-likelihood of one panel under one pattern and design.

    Parameters
    ----------
    pattern, cells, design
        The allowed moves, the counted panel and the map from coefficients to intensities.
    """

    def __init__(self, pattern: Pattern, cells: Cells, design: Design) -> None:
        self.pattern, self.cells, self.design = pattern, cells, design
        self.rows = Rows(
            pattern, cells.cell_covariates, cells.cell_dt, cells.row_cell, cells.row_start, cells.by_covariates
        )
        dated = np.isin(cells.pair_to, pattern.exact)
        self.seen = _Pairs(cells, ~dated)
        self.dated = _Pairs(cells, dated)
        self.into_state = self._into_index()
        self.size = design.size
        self.links = _LinkOrder(cells)

    def _into_index(self) -> Ints:
        """For each state pair (from, to) the number of the move, J where there is none; shape (S, S)."""
        index = np.full((self.pattern.size, self.pattern.size), self.pattern.moves)
        index[self.pattern.origin, self.pattern.target] = np.arange(self.pattern.moves)
        return index

    def _into(self, rates: Floats, row: Ints, state: Ints) -> Floats:
        """Intensities from every state into `state` at covariate rows `row`, shape (n, S)."""
        padded = np.hstack([rates, np.zeros((len(rates), 1))])
        return padded[row[:, None], self.into_state[:, np.maximum(state, 0)].T]

    def value(self, theta: Floats) -> float:
        """Log-likelihood; minus infinity where it cannot be computed."""
        rates = self.design.intensities(theta)
        try:
            probabilities = self.rows.engine(rates, self.seen.hits).probabilities()
        except OverflowError:
            return -np.inf
        return self._terms(rates, probabilities, self._chain_score(rates, probabilities)).value

    def gradient(self, theta: Floats) -> tuple[float, Floats]:
        """Log-likelihood and its exact gradient."""
        value, by_rates = self.by_log_rates(self.design.intensities(theta))
        return value, self.design.pull(by_rates)

    def by_log_rates(self, rates: Floats) -> tuple[float, Floats]:
        """Log-likelihood at intensities of shape (C, J), and its derivative by their logarithms."""
        engine = self.rows.engine(rates, self.seen.hits)
        probabilities = engine.probabilities()
        terms = self._terms(rates, probabilities, self._chain_score(rates, probabilities))
        return terms.value, terms.direct + engine.pullback(terms.seed)

    def scoring(self, theta: Floats) -> Scoring:
        """Log-likelihood, gradient, and a positive information matrix for scoring.

        The information is the expected one for panel visits. Exactly dated moves and chains enter by the outer
        products of their scores, and the visits beside exactly dated moves stand for those at risk.
        """
        rates = self.design.intensities(theta)
        engine = self.rows.engine(rates, self.seen.hits)
        probabilities = engine.probabilities()
        chain = self._chain_score(rates, probabilities)
        terms = self._terms(rates, probabilities, chain)
        weight = self._at_risk(probabilities)
        by_rates = terms.direct.copy()
        block = self.design.new_information()
        links = _LinkScores(self)
        for part, derivative in engine.jacobians():
            row = self.cells.row_covariates[part]
            seeded = np.matmul(terms.seed[part][:, None, :], derivative)[:, 0]
            np.add.at(by_rates, row, seeded)
            self.design.add_information(block, row, derivative * np.sqrt(weight[part])[..., None])
            self._add_dated(block, (part, derivative), rates, probabilities)
            links.add(part, derivative, chain)
        chain_scores = links.totals(chain, rates)
        information = self.design.project(block) + chain_scores.T @ chain_scores
        return Scoring(terms.value, self.design.pull(by_rates), information)

    def _terms(self, rates: Floats, probabilities: Floats, chain: ChainScore | None) -> "_Terms":
        """Sum the log-likelihood and find its derivatives by probabilities and (directly) by log intensities."""
        seed = np.zeros_like(probabilities)
        direct = np.zeros_like(rates)
        chance = np.maximum(probabilities[self.seen.row, self.seen.to], TINY)
        value = float(self.seen.count @ np.log(chance))
        seed[self.seen.row, self.seen.to] = self.seen.count / chance
        if len(self.dated.row):
            row = self.cells.row_covariates[self.dated.row]
            into = self._into(rates, row, self.dated.to)
            share = probabilities[self.dated.row] * into
            total = np.maximum(share.sum(1), TINY)
            value += float(self.dated.count @ np.log(total))
            ratio = self.dated.count / total
            np.add.at(seed, self.dated.row, into * ratio[:, None])
            self._add_direct(direct, row, self.dated.to, share * ratio[:, None])
        chains = self.cells.chains
        if chain is not None and chains is not None:
            value += float(chain.value.sum())
            self._add_links(seed, chain)
            dated = np.flatnonzero(chains.last_exact >= 0)
            row = chains.last_covariates[dated]
            into = self._into(rates, row, chains.last_exact[dated])
            self._add_direct(direct, row, chains.last_exact[dated], chain.final[dated] * into)
        return _Terms(value, seed, direct)

    def _add_direct(self, direct: Floats, row: Ints, state: Ints, share: Floats) -> None:
        """Add the shares of an exactly dated entry to the derivative by the log intensity of its last move."""
        move = self.into_state[:, state].T
        where = move < self.pattern.moves
        np.add.at(direct, (np.broadcast_to(row[:, None], move.shape)[where], move[where]), share[where])

    def _add_links(self, seed: Floats, chain: ChainScore) -> None:
        """Add the derivatives by the rows that chains use; the links are taken in order of their rows."""
        link, state, row = self.links.link, self.links.state, self.links.row
        starts = np.flatnonzero(np.r_[True, row[1:] != row[:-1]])
        seed[row[starts]] += np.add.reduceat(chain.link_seed[link, state], starts, 0)

    def _chain_score(self, rates: Floats, probabilities: Floats) -> ChainScore | None:
        chains = self.cells.chains
        if chains is None:
            return None
        into = np.ones((len(chains.first), self.pattern.size))
        dated = chains.last_exact >= 0
        into[dated] = self._into(rates, chains.last_covariates[dated], chains.last_exact[dated])
        return run_chains(chains, probabilities, into)

    def _at_risk(self, probabilities: Floats) -> Floats:
        """Weights of the expected information: number of intervals over probability, shape (R, S)."""
        total = np.bincount(self.seen.row, self.seen.count, minlength=len(probabilities))
        undated = np.ones(self.pattern.size)
        undated[list(self.pattern.exact)] = 0.0
        share = np.maximum(probabilities @ undated, TINY)
        weight = (total / share)[:, None] * undated / np.maximum(probabilities, TINY)
        weight[probabilities < 1e-250] = 0.0
        return weight

    def _add_dated(self, block: Floats, chunk: tuple[slice, Floats], rates: Floats, probabilities: Floats) -> None:
        """Outer products of the scores of exactly dated moves within a chunk of rows."""
        inside = self.dated.within(chunk[0])
        if inside.stop <= inside.start:
            return
        row = self.cells.row_covariates[self.dated.row[inside]]
        score = self._dated_scores(chunk, (inside, row), rates, probabilities)
        self.design.add_information(block, row, (score * np.sqrt(self.dated.count[inside])[:, None])[:, None, :])

    def _dated_scores(
        self, chunk: tuple[slice, Floats], which: tuple[slice, Ints], rates: Floats, probabilities: Floats
    ) -> Floats:
        """Scores of exactly dated moves by the log intensities of their covariate row, shape (n, J)."""
        (part, derivative), (inside, row) = chunk, which
        place, state = self.dated.row[inside], self.dated.to[inside]
        into = self._into(rates, row, state)
        share = probabilities[place] * into
        total = np.maximum(share.sum(1, keepdims=True), TINY)
        score = np.matmul((into / total)[:, None, :], derivative[place - part.start])[:, 0]
        move = self.into_state[:, state].T
        padded = np.zeros((len(score), self.pattern.moves + 1))
        np.add.at(padded, (np.arange(len(score))[:, None], move), share / total)
        result: Floats = score + padded[:, :-1]
        return result

    def cluster_scores(self, theta: Floats) -> Floats:
        """Gradient of each cluster's own log-likelihood, shape (clusters, parameters).

        Raises
        ------
        ValueError
            If the panel named no clusters.
        """
        clusters = self.cells.clusters
        if clusters is None:
            raise ValueError("the panel has no clusters; give `cluster` with one id a visit")
        rates = self.design.intensities(theta)
        engine = self.rows.engine(rates, self.seen.hits)
        probabilities = engine.probabilities()
        chain = self._chain_score(rates, probabilities)
        scores = np.zeros((clusters.clusters, self.design.size))
        links = _LinkScores(self)
        for part, derivative in engine.jacobians():
            for numbers, score in self._pair_scores((part, derivative), rates, probabilities):
                low, high = np.searchsorted(clusters.pair, [numbers[0], numbers[-1] + 1])
                place = np.searchsorted(numbers, clusters.pair[low:high])
                mine = low + np.flatnonzero(numbers[place] == clusters.pair[low:high])
                own = score[np.searchsorted(numbers, clusters.pair[mine])]
                np.add.at(scores, clusters.cluster[mine], own * clusters.count[mine, None])
            links.add(part, derivative, chain)
        chains = self.cells.chains
        if chains is not None:
            np.add.at(scores, clusters.chain_cluster[chains.original], links.totals(chain, rates))
        return scores

    def _pair_scores(
        self, chunk: tuple[slice, Floats], rates: Floats, probabilities: Floats
    ) -> Iterator[tuple[Ints, Floats]]:
        """Numbers and scores (by the coefficients) of one sighting of each pair within a chunk of rows."""
        part, derivative = chunk
        inside = self.seen.within(part)
        if inside.stop > inside.start:
            place, to = self.seen.row[inside], self.seen.to[inside]
            chance = np.maximum(probabilities[place, to], TINY)
            score = derivative[place - part.start, to] / chance[:, None]
            yield self.seen.number[inside], self.design.spread(self.cells.row_covariates[place], score)
        inside = self.dated.within(part)
        if inside.stop > inside.start:
            row = self.cells.row_covariates[self.dated.row[inside]]
            score = self._dated_scores(chunk, (inside, row), rates, probabilities)
            yield self.dated.number[inside], self.design.spread(row, score)

    def expected(self, theta: Floats) -> Floats:
        """Transition probabilities of all rows, shape (R, S)."""
        return self.rows.engine(self.design.intensities(theta), self.seen.hits).probabilities()

    def with_engine(self, name: str) -> "Likelihood":
        """Give the same likelihood computed by one engine only, 'eigen' or 'uniform'."""
        if name not in transition_rows.ENGINES:
            raise ValueError(f"no engine {name!r}; there are {list(transition_rows.ENGINES)}")
        other = Likelihood(self.pattern, self.cells, self.design)
        other.rows = replace(other.rows, only=name)
        return other


@dataclass(frozen=True, eq=False)
class _Terms:
    value: float
    seed: Floats
    direct: Floats


class _Pairs:
    """The counted pairs of one kind, sorted by row."""

    def __init__(self, cells: Cells, which: Bools) -> None:
        self.number: Ints = np.flatnonzero(which)
        self.row, self.to, self.count = cells.pair_row[which], cells.pair_to[which], cells.pair_count[which]
        self.hits = (self.row, self.to)

    def within(self, part: slice) -> slice:
        """Find the pairs whose rows lie in a range of rows."""
        low, high = np.searchsorted(self.row, [part.start, part.stop])
        return slice(int(low), int(high))


class _LinkOrder:
    """The (link, starting state) pairs of all chains in order of the row that they use, with each one's chain."""

    def __init__(self, cells: Cells) -> None:
        chains = cells.chains
        if chains is None:
            return
        link, state = np.nonzero(chains.rows < len(cells.row_cell))
        row = chains.rows[link, state]
        order = np.argsort(row, kind="stable")
        place = np.searchsorted(chains.offsets, link, side="right") - 1
        self.link, self.state, self.row = link[order], state[order], row[order]
        self.chain = (link - chains.offsets[place])[order]


class _LinkScores:
    """Gathers the scores of chains link by link while the Jacobians pass by."""

    def __init__(self, likelihood: Likelihood) -> None:
        self.likelihood = likelihood
        chains = likelihood.cells.chains
        self.scores = np.zeros((0 if chains is None else len(chains.first), likelihood.design.size))

    def add(self, part: slice, derivative: Floats, chain: ChainScore | None) -> None:
        """Add what a chunk of rows gives."""
        if chain is None:
            return
        links = self.likelihood.links
        low, high = np.searchsorted(links.row, [part.start, part.stop])
        if high <= low:
            return
        inside = slice(int(low), int(high))
        seed = chain.link_seed[links.link[inside], links.state[inside]]
        score = np.matmul(seed[:, None, :], derivative[links.row[inside] - part.start])[:, 0]
        row = self.likelihood.cells.row_covariates[links.row[inside]]
        np.add.at(self.scores, links.chain[inside], self.likelihood.design.spread(row, score))

    def totals(self, chain: ChainScore | None, rates: Floats) -> Floats:
        """Scores of the chains by the coefficients, with the exactly dated last moves, shape (n, parameters)."""
        chains = self.likelihood.cells.chains
        if chain is None or chains is None:
            return self.scores
        dated = np.flatnonzero(chains.last_exact >= 0)
        row, state = chains.last_covariates[dated], chains.last_exact[dated]
        share = chain.final[dated] * self.likelihood._into(rates, row, state)
        padded = np.zeros((len(dated), self.likelihood.pattern.moves + 1))
        np.add.at(padded, (np.arange(len(dated))[:, None], self.likelihood.into_state[:, state].T), share)
        result = self.scores.copy()
        result[dated] += self.likelihood.design.spread(row, padded[:, :-1])
        return result
