"""Runs of visits between which some state is only known to be one of several.

Method: sum over the states the subject may have been in, forward in time, with derivatives by the backward recursion
(Baum, Petrie, Soules and Weiss 1970, Annals of Mathematical Statistics 41: 164–171; for panel data Jackson 2011,
Journal of Statistical Software 38(8), section 1.6).
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.multistate_pattern import Panel, Pattern


@dataclass(frozen=True, eq=False)
class Links:
    """The intervals inside chains, in the panel's order, before they are coded.

    Attributes
    ----------
    node
        Position of the visit at which each of the M links begins.
    start, end
        States possible at its beginning and end, shape (M, S).
    chain, place
        Number of the chain and place within it, shape (M,).
    first
        Weights of the states at the beginning of each chain, shape (n, S).
    last_exact
        Code of the state entered at the chain's end at an exactly known time, −1 if none, shape (n,).
    chain_node
        Position of the visit at which each chain begins, shape (n,).
    left_out
        Intervals dropped because no state was known before them.
    """

    node: Ints
    start: Bools
    end: Bools
    chain: Ints
    place: Ints
    first: Floats
    last_exact: Ints
    chain_node: Ints
    left_out: int

    def settle(self, rows: Ints, covariates: Ints) -> "Chains":
        """Order the links by place, long chains first; `rows` (M, S) and `covariates` (M,) are their codes."""
        count = len(self.first)
        length = np.bincount(self.chain, minlength=count)
        rank = np.empty(count, np.int64)
        longest = np.argsort(-length, kind="stable")
        rank[longest] = np.arange(count)
        order = np.lexsort((rank[self.chain], self.place))
        places = np.bincount(self.place)
        last = np.flatnonzero(self.place == length[self.chain] - 1)
        final = np.empty(count, np.int64)
        final[rank[self.chain[last]]] = covariates[last]
        return Chains(
            np.r_[0, np.cumsum(places)],
            rows[order],
            covariates[order],
            self.end[order].astype(np.float64),
            self.first[longest],
            length[longest],
            self.last_exact[longest],
            final,
            longest,
        )


@dataclass(frozen=True, eq=False)
class Chains:
    """Chains ready for the recursion, longest first.

    Attributes
    ----------
    offsets
        Links at place t are offsets[t] … offsets[t + 1] − 1, one for each of the first chains that are long enough.
    rows, covariates, end
        Row of the transition probabilities for each starting state (the number of rows where not possible), covariate
        row, and states possible at the end, shapes (M, S), (M,), (M, S).
    first, length, last_exact, last_covariates
        Of each chain: weights at its beginning (n, S), number of links, exactly dated last state or −1, and the
        covariate row of its last link (n,).
    original
        Number of each chain in the panel's order, shape (n,).
    """

    offsets: Ints
    rows: Ints
    covariates: Ints
    end: Floats
    first: Floats
    length: Ints
    last_exact: Ints
    last_covariates: Ints
    original: Ints


def find_chains(panel: Panel, pattern: Pattern, start: Ints) -> Links:
    """Find the runs of intervals, beginning at the visits `start`, that touch a visit without a known state."""
    state, size = panel.state, pattern.size
    if panel.possible is None or not (state < 0).any():
        return _no_links(size)
    known = state >= 0
    broken = ~known[start] | ~known[start + 1]
    node = start[broken]
    head = known[node] | ~_follows(panel, node)
    chain = np.cumsum(head) - 1
    late = ~known[node[head]]
    if panel.first is None and late.any():
        keep = ~late[chain]
        dropped = int((~keep).sum())
        node, head = node[keep], head[keep]
        chain = np.cumsum(head) - 1
    else:
        dropped = 0
    if not len(node):
        return _no_links(size, dropped)
    mask = np.where(known[:, None], np.arange(size) == state[:, None], panel.possible)
    begin = np.flatnonzero(head)
    weights = np.ones(size) if panel.first is None else np.asarray(panel.first, np.float64)
    first = mask[node[begin]] * np.where(known[node[begin], None], 1.0, weights)
    if not (first.sum(1) > 0).all():
        raise ValueError("`first` gives weight zero to every state possible at some first visit; give it some weight")
    finish = np.r_[begin[1:], len(node)] - 1
    last = state[node[finish] + 1]
    dated = np.isin(last, pattern.exact) & (last >= 0)
    end = mask[node + 1].copy()
    end[finish[dated]] = True
    return Links(
        node,
        mask[node] if node.size else np.zeros((0, size), np.bool_),
        end,
        chain,
        np.arange(len(node)) - begin[chain],
        first,
        np.where(dated, last, -1),
        node[begin],
        dropped,
    )


def _follows(panel: Panel, node: Ints) -> Bools:
    """Whether the visit is not its subject's first."""
    earlier = np.maximum(node - 1, 0)
    follows: Bools = (node > 0) & (panel.subject[earlier] == panel.subject[node])
    return follows


def _no_links(size: int, dropped: int = 0) -> Links:
    none, table = np.zeros(0, np.int64), np.zeros((0, size), np.bool_)
    return Links(none, table, table, none, none, np.zeros((0, size)), none, none, dropped)


@dataclass(frozen=True, eq=False)
class ChainScore:
    """What the chains add to the log-likelihood and its derivatives.

    Attributes
    ----------
    value
        Log-likelihood of each chain, shape (n,).
    link_seed
        Derivative by the transition probabilities that each link uses, shape (M, S, S): from, to.
    final
        Weight of each state just before an exactly dated last move, over the chain's likelihood, shape (n, S).
    """

    value: Floats
    link_seed: Floats
    final: Floats


def run_chains(chains: Chains, probabilities: Floats, into: Floats) -> ChainScore:
    """Run the recursion forward and backward.

    Parameters
    ----------
    probabilities
        Shape (R, S).
    into
        Intensities into each chain's exactly dated last state, shape (n, S); ones where the last state is not dated.
    """
    padded = np.vstack([probabilities, np.zeros((1, probabilities.shape[1]))])
    weights = [chains.first / chains.first.sum(1, keepdims=True)]
    value = np.log(chains.first.sum(1))
    scales, steps = [], []
    for place in range(len(chains.offsets) - 1):
        part = slice(chains.offsets[place], chains.offsets[place + 1])
        count = chains.offsets[place + 1] - chains.offsets[place]
        steps.append(padded[chains.rows[part]])
        moved = np.matmul(weights[-1][:count, None, :], steps[-1])[:, 0] * chains.end[part]
        total = moved.sum(1)
        with np.errstate(divide="ignore"):
            value[:count] += np.log(total)
        scales.append(np.where(total > 0, total, 1.0))
        following = weights[-1].copy()
        following[:count] = moved / scales[-1][:, None]
        weights.append(following)
    ending = (weights[-1] * into).sum(1)
    with np.errstate(divide="ignore"):
        value += np.log(ending)
    ending = np.where(ending > 0, ending, 1.0)
    seed = np.empty((len(chains.rows), probabilities.shape[1], probabilities.shape[1]))
    behind = into / ending[:, None]
    for place in range(len(chains.offsets) - 2, -1, -1):
        part = slice(chains.offsets[place], chains.offsets[place + 1])
        count = chains.offsets[place + 1] - chains.offsets[place]
        ahead = behind[:count] * chains.end[part] / scales[place][:, None]
        seed[part] = weights[place][:count, :, None] * ahead[:, None, :]
        behind[:count] = np.matmul(steps[place], ahead[:, :, None])[:, :, 0]
    return ChainScore(value, seed, weights[-1] / ending[:, None])
