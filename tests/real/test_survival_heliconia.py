"""Heliconia census (Bruna et al. 2023, Ecology, MIT licence): survival of seedlings and established plants.

Grade: another program's output (R survival 3.5-3 and npsurv 0.5.0 on the same table).
"""

import csv
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.arrays import Bools, Floats, Ints
from domatia.stats.cox import cox
from domatia.stats.interval_hazard import IntervalRows, interval_hazard
from domatia.stats.npmle import npmle
from domatia.stats.weibull import weibull

pytestmark = pytest.mark.real


@dataclass(frozen=True, eq=False)
class Plants:
    """One entry a plant: years from first measured to last alive and to recorded dead, seedling, habitat, plot."""

    left: Floats
    right: Floats
    seedling: Bools
    habitat: list[str]
    plot: Ints


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
    seedling = np.array([p in seedlings for p in names])
    _, codes = np.unique([plot[p] for p in names], return_inverse=True)
    return Plants(last - first, died - first, seedling, [habitat[plot[p]] for p in names], codes.astype(np.int64))


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


def as_rows(plants: Plants) -> IntervalRows:
    """Make a row up to the last look alive, and one up to the look that found the death."""
    lived, died = np.flatnonzero(plants.left > 0), np.flatnonzero(np.isfinite(plants.right))
    who = np.concatenate([lived, died])
    start = np.concatenate([np.zeros(len(lived)), plants.left[died]])
    stop = np.concatenate([plants.left[lived], plants.right[died]])
    ended = np.repeat(np.array([0, 1]), [len(lived), len(died)])
    return IntervalRows(start, stop, ended, plants.seedling[who, None].astype(np.float64), plants.plot[who])


def test_constant_hazard_between_looks(plants: Plants) -> None:
    """With one piece the model is survreg's exponential; the 13 plots widen the interval 2.6 times."""
    found = interval_hazard(as_rows(plants), np.array([]), kind="CR0")
    assert_allclose(found.parameters, [1.79141615421, -4.01118108349], atol=1e-8)
    assert_allclose(found.log_likelihood, -7486.09526213, atol=1e-7, rtol=0)
    model = np.sqrt(np.diag(found.uncertainty.model_covariance))
    assert_allclose(model, [0.0468790458333, 0.0373204940042], rtol=1e-7)
    assert_allclose(found.coefficients.se, [0.122324797576], rtol=1e-6)
    assert found.uncertainty.clusters == 13
    assert found.uncertainty.df == 12


def test_dated_deaths_by_plot(plants: Plants) -> None:
    """Clustering by plot gives coxph's robust standard error."""
    died = np.isfinite(plants.right)
    time = np.where(died, plants.right, plants.left)
    seen = time > 0
    X = plants.seedling[:, None].astype(np.float64)
    found = cox(np.zeros(seen.sum()), time[seen], died[seen], X[seen], plants.plot[seen], kind="CR0")
    assert_allclose(found.coefficients.estimate, [1.67449393756], atol=1e-9)
    assert_allclose(found.coefficients.se, [0.107721761644], rtol=1e-8)
