"""One order for rows, whatever order they came in.

Sums of floating-point numbers depend on their order in the last digit. Estimators sort their rows by content
first, so that the same rows give the same numbers to the last bit.
"""

import numpy as np
from numpy.typing import ArrayLike

from domatia.stats.arrays import Ints


def canonical_order(*columns: ArrayLike) -> Ints:
    """Give row numbers sorted by the columns, the first counting most; rows equal in all stay as they were.

    Parameters
    ----------
    columns : array (rows,) or (rows, several)
        Everything that tells rows apart.
    """
    tables = [np.asarray(c) for c in columns]
    keys = [t for table in tables for t in (table.T if table.ndim == 2 else [table])]
    return np.lexsort(tuple(reversed(keys))).astype(np.int64)
