"""Heliconia census (Bruna et al., Ecology 2023, MIT licence): survival of seedlings and established plants.

Grade: another program's output (R survival 3.5-3 and npsurv 0.5.0 on the same table).
"""

import csv
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.arrays import Bools, Floats
from domatia.stats.cox import cox
from domatia.stats.npmle import npmle
from domatia.stats.weibull import weibull

pytestmark = pytest.mark.real


@dataclass(frozen=True, eq=False)
class Plants:
    """One entry a plant: years from first measured to last alive and to recorded dead, seedling, habitat."""

    left: Floats
    right: Floats
    seedling: Bools
    habitat: list[str]


@pytest.fixture(scope="module")
def plants() -> Plants:
    """Read the census and reduce it to one interval a plant."""
    root = os.environ.get("DOMATIA_REAL_DATA")
    folder = Path(root or "") / "heliconia_census"
    if not root or not folder.is_dir():
        pytest.skip("DOMATIA_REAL_DATA does not name a folder with heliconia_census")
    measured: dict[str, list[int]] = {}
    dead: dict[str, list[int]] = {}
    plot: dict[str, str] = {}
    seedlings = set()
    with (folder / "HDP_survey.csv").open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            plant, year = row["plant_id"], int(row["year"])
            plot.setdefault(plant, row["plot_id"])
            if row["recorded_sdlg"] == "TRUE":
                seedlings.add(plant)
            if row["census_status"] == "measured":
                measured.setdefault(plant, []).append(year)
            elif row["census_status"] == "dead":
                dead.setdefault(plant, []).append(year)
    with (folder / "HDP_plots.csv").open(newline="", encoding="utf-8") as file:
        habitat = {row["plot_id"]: row["habitat"] for row in csv.DictReader(file)}
    names = sorted(measured)
    first = np.array([min(measured[p]) for p in names], dtype=np.float64)
    last = np.array([max(measured[p]) for p in names], dtype=np.float64)
    died = np.array([min(dead[p]) if p in dead else np.inf for p in names])
    return Plants(
        last - first, died - first, np.array([p in seedlings for p in names]), [habitat[plot[p]] for p in names]
    )


@pytest.mark.parametrize(
    ("seedling", "count", "likelihood", "alive"),
    [
        (False, 5007, -3524.71101864, [0.98159856, 0.96396916, 0.90716263, 0.86028324]),
        (True, 3091, -3885.07210797, [0.85268278, 0.75709438, 0.58068742, 0.46846529]),
    ],
)
def test_interval_censored_curve(
    plants: Plants, seedling: bool, count: int, likelihood: float, alive: list[float]
) -> None:
    """Log-likelihood and survival at 1, 2, 5 and 8 years agree with npsurv; the maximum is certified."""
    used = (plants.seedling == seedling) & ((plants.left > 0) | np.isfinite(plants.right))
    assert used.sum() == count
    found = npmle(plants.left[used], plants.right[used])
    assert_allclose(found.log_likelihood, likelihood, atol=1e-8, rtol=0)
    assert found.gap < 1e-6
    assert_allclose(found.survival_at(np.array([1.0, 2.0, 5.0, 8.0])), alive, atol=2e-7)


@pytest.mark.parametrize(("adjusted", "ratio"), [(True, [5.308989, 4.822457, 5.84461]), (False, [5.336, 4.848, 5.873])])
def test_dated_deaths(plants: Plants, adjusted: bool, ratio: list[float]) -> None:
    """Seedlings against established plants, deaths dated by the year recorded: coxph's hazard ratio and interval."""
    died = np.isfinite(plants.right)
    time = np.where(died, plants.right, plants.left)
    habitat = np.array(plants.habitat)
    X = np.stack([plants.seedling, habitat == "one", habitat == "ten"], axis=1).astype(np.float64)
    seen = time > 0
    assert died[seen].sum() == 1962
    found = cox(np.zeros(seen.sum()), time[seen], died[seen], X[seen] if adjusted else X[seen, :1]).hazard_ratios
    rtol = 1e-6 if adjusted else 1e-4
    assert_allclose([found.estimate[0], found.low[0], found.high[0]], ratio, rtol=rtol)


def test_weibull_regression(plants: Plants) -> None:
    """Coefficients, standard errors, scale and log-likelihood agree with survreg's printed digits."""
    used = (plants.left > 0) | np.isfinite(plants.right)
    habitat = np.array(plants.habitat)
    X = np.stack([plants.seedling, habitat == "one", habitat == "ten"], axis=1).astype(np.float64)
    found = weibull(plants.left[used], plants.right[used], X[used])
    assert_allclose(found.coefficients.estimate, [4.42869621, -2.07625796, -0.05540828, 0.13499577], atol=6e-9)
    assert_allclose(found.coefficients.se, [0.07318275, 0.06752340, 0.07537924, 0.07530102], atol=6e-9)
    assert_allclose(found.scale.estimate, [1.235363], atol=6e-7)
    assert_allclose(found.log_likelihood, -7441.18559564, atol=1e-8, rtol=0)
