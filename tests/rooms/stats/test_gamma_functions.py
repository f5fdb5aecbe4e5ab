"""Log gamma and its derivatives against scipy."""

import numpy as np
import pytest
from scipy.special import digamma, gammaln, polygamma

from domatia.stats.gamma_functions import log_gamma_derivatives


@pytest.mark.parametrize("order", [2, 3])
def test_values_agree_with_scipy(order: int) -> None:
    """From 1e-4 to 1e6 all derivatives agree with scipy's to twelve digits."""
    x = np.exp(np.linspace(np.log(1e-4), np.log(1e6), 40001))
    found = log_gamma_derivatives(x, order)
    assert len(found) == order + 1
    np.testing.assert_allclose(found[0], gammaln(x), rtol=1e-12, atol=2e-13)
    np.testing.assert_allclose(found[1], digamma(x), rtol=1e-12, atol=2e-13)
    for d in range(2, order + 1):
        np.testing.assert_allclose(found[d], polygamma(d - 1, x), rtol=1e-12)
