from collections.abc import Callable
from typing import TypeVar

_F = TypeVar("_F", bound=Callable[..., object])

def njit(*, cache: bool = ..., nogil: bool = ..., boundscheck: bool = ...) -> Callable[[_F], _F]: ...
