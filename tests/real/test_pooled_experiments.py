"""The CO2 experiments on woody plants (Curtis and Wang 1998, Oecologia 113:299-313), pooled."""

import csv
from pathlib import Path

import numpy as np
from tests.published.test_pooling import printed

from domatia.stats.effect_sizes import log_response_ratio
from domatia.stats.pooling import pool


def test_curtis_and_wang_by_one_level_and_by_paper(real_data: Path) -> None:
    """Mean 0.2553 (SE 0.0198), tau squared 0.0262, I2 88.9 %, Q 769.02; with papers as a level (metafor 3.8-1)."""
    with (real_data / "r_reference" / "metadat_curtis1998.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))

    def column(name: str) -> np.ndarray:
        return np.array([float(r[name]) for r in rows])

    sized = log_response_ratio(
        (column("m1i"), column("m2i")), (column("sd1i"), column("sd2i")), (column("n1i"), column("n2i"))
    )
    one = pool(sized.effect, sized.variance)
    wanted = printed("curtis_reml tau2 I2 Q Qp logLik")
    ours = [one.tau2[0], 100 * one.i2, one.q, one.q_p, one.log_likelihood]
    np.testing.assert_allclose(ours, wanted, rtol=1e-7)
    np.testing.assert_allclose([one.coefficients[0], one.plain_se[0]], printed("curtis_reml mean")[:2], rtol=1e-8)
    many = pool(sized.effect, sized.variance, [column("paper").astype(np.int64), np.arange(len(rows))])
    ours = [many.coefficients[0], many.plain_se[0], *many.tau2, many.log_likelihood]
    np.testing.assert_allclose(ours, printed("curtis_levels"), rtol=2e-6)
