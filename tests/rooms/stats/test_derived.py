"""Numbers derived from independent parts."""

import numpy as np
import pytest

from domatia.stats.derived import Part, derived, mean_part


def test_two_means_give_welchs_interval() -> None:
    """The difference of two means has Welch's error and degrees of freedom (scipy's t test with unequal variances)."""
    from scipy import stats

    rng = np.random.default_rng(2)
    a, b = rng.normal(3, 1, 7), rng.normal(1, 4, 12)
    one = derived(float(a.mean() - b.mean()), [np.array([1.0]), np.array([-1.0])], [mean_part(a), mean_part(b)])
    ends = stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.95)
    assert (one.low[0], one.high[0]) == pytest.approx((ends.low, ends.high), rel=1e-9)


def test_a_product_has_the_delta_methods_error() -> None:
    """Relative variances of independent factors add up."""
    parts = [Part(np.array([5.0]), np.array([[0.25]]), 20.0), Part(np.array([2.0]), np.array([[0.04]]), 5.0)]
    one = derived(10.0, [np.array([2.0]), np.array([5.0])], parts)
    assert one.se[0] / 10 == pytest.approx(np.hypot(0.5 / 5, 0.2 / 2))


def test_single_values_and_none() -> None:
    """A single measurement has no known error; without any there is nothing to average."""
    assert mean_part(np.array([4.2])).covariance[0, 0] == 0.0
    with pytest.raises(ValueError, match="needs a measurement"):
        mean_part(np.zeros(0))
    sure = derived(1.0, [np.array([1.0])], [mean_part(np.array([1.0]))])
    assert sure.low[0] == sure.high[0] == 1.0
