"""Remission of leukaemia under 6-MP and placebo: Freireich et al. 1963, Blood 21:699.

Grade: the times are printed in the publication; the answers are another program's output (R survival 3.5-3).
"""

import numpy as np
from numpy.testing import assert_allclose

from domatia.stats.cox import cox

PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
RELAPSED = [6, 6, 6, 7, 10, 13, 16, 22, 23]
STILL_WELL = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]


def test_efron_coefficient_and_standard_error() -> None:
    """Coefficient and standard error agree with R's to the printed digits."""
    times = np.array([*PLACEBO, *RELAPSED, *STILL_WELL], dtype=np.float64)
    died = np.arange(42) < 30
    treated = (np.arange(42) >= 21).astype(np.float64)[:, None]
    found = cox(np.zeros(42), times, died, treated)
    assert_allclose(found.coefficients.estimate, [-1.572125149], atol=1e-9)
    assert_allclose(found.coefficients.se, [0.4123967177], atol=1e-10)
