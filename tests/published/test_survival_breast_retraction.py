"""Breast retraction after two treatments: Finkelstein & Wolfe 1985, Biometrics 41:933, table 1.

Grade: the intervals are printed in the publication; the answers are another program's output (R npsurv
0.5.0 and survival 3.5-3, Debian 12).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.arrays import Floats
from domatia.stats.npmle import npmle
from domatia.stats.weibull import weibull

NEVER = np.inf
RADIATION: list[tuple[float, float]] = [
    *[(0, 5), (0, 7), (0, 8), (4, 11), (5, 11), (5, 12), (6, 10), (7, 14), (7, 16), (11, 15), (11, 18), (17, 25)],
    *[(17, 25), (18, 26), (19, 35), (25, 37), (26, 40), (27, 34), (36, 44), (36, 48), (37, 44)],
    *[(left, NEVER) for left in (15, 17, 18, 22, 24, 24, 32, 33, 34, 36, 36, 37, 37, 37, 38, 40, 45)],
    *[(46, NEVER)] * 8,
]
BOTH: list[tuple[float, float]] = [
    *[(0, 5), (0, 22), (4, 8), (4, 9), (5, 8), (8, 12), (8, 21), (10, 17), (10, 35), (11, 13), (11, 17), (11, 20)],
    *[(12, 20), (13, 39), (14, 17), (14, 19), (15, 22), (16, 20), (16, 24), (16, 24), (16, 60), (17, 23), (17, 26)],
    *[(17, 27), (18, 24), (18, 25), (19, 32), (22, 32), (24, 30), (24, 31), (30, 34), (30, 36), (33, 40), (34, 34)],
    *[(35, 39), (44, 48), (48, 48)],
    *[(left, NEVER) for left in (11, 11, 13, 13, 13, 21, 23, 31, 32, 34, 34, 35)],
]
CELLS = {
    "radiation": (
        RADIATION,
        -58.060021954,
        [4, 6, 7, 11, 24, 33, 38, 46],
        [5, 7, 8, 12, 25, 34, 40, 48],
        [
            *[0.04634677399, 0.03336337093, 0.08866736806, 0.07075292179, 0.09264583659, 0.08178576490],
            *[0.12087982735, 0.46555813638],
        ],
    ),
    "radiation and chemotherapy": (
        BOTH,
        -67.0876617188,
        [4, 5, 11, 16, 18, 19, 24, 34, 35, 48],
        [5, 8, 12, 17, 19, 20, 25, 34, 36, 48],
        [
            *[0.04241940192, 0.04241940192, 0.06733057828, 0.14527033000, 0.11378082761, 0.12880526526],
            *[0.13024589235, 0.10065110190, 0.12147498236, 0.10760221839],
        ],
    ),
}


def intervals(rows: list[tuple[float, float]]) -> tuple[Floats, Floats]:
    """Give the two columns of a list of intervals."""
    table = np.asarray(rows, dtype=np.float64)
    return table[:, 0], table[:, 1]


@pytest.mark.parametrize("arm", sorted(CELLS))
def test_masses_and_likelihood(arm: str) -> None:
    """The masses, their cells and the log-likelihood agree with the printed digits."""
    rows, likelihood, left, right, mass = CELLS[arm]
    found = npmle(*intervals(rows))
    assert_allclose(found.log_likelihood, likelihood, atol=1e-9, rtol=0)
    assert found.gap < 1e-6
    assert_allclose(found.left, left)
    assert_allclose(found.right, right)
    assert_allclose(found.mass, mass, atol=2e-6)


def test_weibull_regression() -> None:
    """Coefficients, standard errors, log scale and log-likelihood agree with survreg's printed digits."""
    left, right = intervals([*RADIATION, *BOTH])
    both = (np.arange(len(left)) >= len(RADIATION)).astype(np.float64)[:, None]
    found = weibull(left, right, both)
    assert_allclose(found.coefficients.estimate, [3.8872320450, -0.5664019216], atol=1e-9)
    assert_allclose(found.coefficients.se, [0.1348011679, 0.1677914808], atol=1e-9)
    assert_allclose(np.log(found.scale.estimate), [-0.5175873743], atol=1e-9)
    assert_allclose(found.scale.se, [0.1172473818], atol=1e-9)
    assert_allclose(found.log_likelihood, -149.7569739, atol=1e-7)
