"""Bootstrap and jackknife against the law-school example."""

import numpy as np
import pytest

from domatia.stats.arrays import Floats
from domatia.stats.resample import Draw, cluster_bootstrap, cluster_jackknife

# Efron & Tibshirani 1993, An Introduction to the Bootstrap, table 3.1: 15 schools, test score and grade average
LSAT = np.array([576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594], dtype=np.float64)
GPA = np.array([339, 330, 281, 303, 344, 307, 300, 343, 336, 313, 312, 274, 276, 288, 296], dtype=np.float64)
SCHOOL = np.arange(15)


def correlation(draw: Draw) -> Floats:
    """Return the correlation of the drawn schools."""
    return np.array([np.corrcoef(LSAT[draw.rows], GPA[draw.rows])[0, 1]])


def test_bootstrap_error_of_the_correlation() -> None:
    """Correlation 0.776 and bootstrap error 0.132 (their table 6.1, 3,200 replicates; value from memory)."""
    found = cluster_bootstrap(correlation, SCHOOL, np.random.default_rng(1993), replicates=3200)
    assert found.estimate[0] == pytest.approx(0.776, abs=5e-4)
    assert found.standard_error[0] == pytest.approx(0.132, abs=0.005)


def test_jackknife_error_of_the_correlation() -> None:
    """Jackknife error 0.1425 and bias -0.0065 (Efron 1982, The Jackknife, the Bootstrap; values from memory)."""
    found = cluster_jackknife(correlation, SCHOOL)
    assert found.standard_error[0] == pytest.approx(0.1425, abs=1e-4)
    assert found.bias[0] == pytest.approx(-0.0065, abs=1e-4)
