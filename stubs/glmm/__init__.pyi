from collections.abc import Mapping
from typing import Protocol

from numpy import bool_, float64, int64
from numpy.typing import NDArray

class _Factor(Protocol):
    @property
    def categories(self) -> list[str]: ...
    @property
    def codes(self) -> NDArray[int64]: ...

class Fit:
    beta: NDArray[float64]
    vcov: NDArray[float64]
    varcorr: list[list[float]]
    dispersion: float
    loglik: float
    fitted: NDArray[float64]
    ranef: NDArray[float64]
    coef_df: NDArray[float64]
    re_groups: list[tuple[str, list[str]]]
    warnings: list[dict[str, str]]
    @property
    def converged(self) -> bool: ...
    @property
    def singular(self) -> bool: ...
    @property
    def aliased(self) -> NDArray[bool_]: ...

def fit(
    data: Mapping[str, NDArray[float64] | _Factor],
    formula: str,
    family: str = ...,
    *,
    weights: NDArray[float64] | None = ...,
    offset: NDArray[float64] | None = ...,
    satterthwaite: bool = ...,
    reml: bool | None = ...,
    anova_test: str = ...,
) -> Fit: ...
