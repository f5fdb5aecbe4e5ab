"""Domatia: a workbench for field experiments on ant-plant protection mutualisms.

>>> import domatia
>>> study = domatia.open_study("ridge.domatia")      # doctest: +SKIP
>>> study.answer("survival").sentence                # doctest: +SKIP
"""

from typing import TYPE_CHECKING

from domatia.version import __version__

if TYPE_CHECKING:
    from domatia.tasks.study import Study


def open_study(path: str) -> "Study":
    """Open a study to read it, ask it questions and look at its findings; nothing is ever written by reading.

    Parameters
    ----------
    path : str
        The study file, or the address of a PostgreSQL database.

    Returns
    -------
    domatia.tasks.study.Study

    Raises
    ------
    domatia.model.errors.CannotOpen
        If there is no such study or it cannot be read.
    """
    from domatia.tasks.study import Study

    return Study(path)


__all__ = ["__version__", "open_study"]
