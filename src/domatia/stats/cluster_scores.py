"""Each cluster's score and information, and what follows for the coefficients' covariance and degrees of freedom.

The sandwich itself is `domatia.stats.clustering`. The degrees of freedom of one contrast follow Bell & McCaffrey 2002
(Survey Methodology 28:169-181) and Pustejovsky & Tipton 2018 (J. Business & Economic Statistics 36:672-683): for a
treatment drawn within blocks they come near the number of blocks less one, for a covariate that varies between blocks
they are fewer.
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints
from domatia.stats.clustering import Kind, Uncertainty, clustered_uncertainty


@dataclass(frozen=True)
class ClusterScores:
    """Per-cluster pieces of a fitted likelihood.

    Attributes
    ----------
    names : tuple of str
        Names of the p parameters.
    clusters : array, shape (m,)
        Code of each cluster, ascending.
    scores : array, shape (m, p)
        Derivative of each cluster's log-likelihood (of its estimating function) at the estimate.
    information : array, shape (m, p, p)
        Minus its second derivative.
    warnings : tuple of str
        Why the clusters may not be independent.
    """

    names: tuple[str, ...]
    clusters: Ints
    scores: Floats
    information: Floats
    warnings: tuple[str, ...] = ()

    @property
    def covariance(self) -> Floats:
        """Inverse of the summed information, shape (p, p): the model's own covariance."""
        total = self.information.sum(axis=0)
        return np.asarray(np.linalg.pinv((total + total.T) / 2, hermitian=True), dtype=np.float64)

    def uncertainty(self, kind: Kind = "CR2", level: float = 0.95) -> Uncertainty:
        """Sandwich covariance of the parameters; t with m - 1 degrees of freedom below 40 clusters.

        Parameters
        ----------
        kind : str
            As in `domatia.stats.clustering.clustered_uncertainty`; CR2 corrects for few clusters.
        level : float
            Level of the intervals that the result will make.
        """
        return clustered_uncertainty(self.covariance, self.scores, kind=kind, level=level, information=self.information)

    def contrast_df(self, contrast: Floats) -> float:
        """Degrees of freedom for t of one contrast of the parameters under CR2.

        Parameters
        ----------
        contrast : array, shape (p,)
            Weights of the parameters, as (0, 1, 0) for the second.

        Returns
        -------
        float
            Satterthwaite's approximation with the fitted model as working model; at least 1.
        """
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        direction = root.T @ contrast
        own = np.zeros(len(self.clusters))
        shared = np.zeros((len(self.clusters), len(direction)))
        for c, information in enumerate(self.information):
            share, axes = np.linalg.eigh(root.T @ information @ root)
            share = np.clip(share, 0.0, 1.0)
            left = np.where(share < 1 - 1e-8, 1 - share, 1.0)
            along = axes.T @ direction
            own[c] = np.sum(along**2 * share / left)
            shared[c] = axes @ (share / np.sqrt(left) * along)
        table = np.diag(own) - shared @ shared.T
        total = float(np.sum(table**2))
        return max(float(np.trace(table)) ** 2 / total, 1.0) if total > 0 else 1.0
