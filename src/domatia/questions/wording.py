"""Numbers and comparisons in words, the same in every answer."""

from collections.abc import Callable

from domatia.model import Effect


def number(value: float) -> str:
    """Write a number with three meaningful digits, without powers of ten."""
    if value != value:
        return "unknown"
    if abs(value) == float("inf"):
        return "no bound"
    if value == 0:
        return "0"
    if abs(value) >= 100:
        return f"{value:,.0f}"
    text = f"{value:.3g}"
    return f"{value:.6f}".rstrip("0") if "e" in text else text


def share(value: float) -> str:
    """Write a share as per cent."""
    percent = 100 * value
    return f"{percent:.1f} %" if 0 < percent < 10 or 90 < percent < 100 else f"{percent:.0f} %"


def points(value: float) -> str:
    """Write a difference of shares in percentage points."""
    return f"{100 * value:.1f} percentage points"


def interval(effect: Effect, write: Callable[[float], str] = number) -> str:
    """Write the interval of an effect."""
    level = round(100 * effect.level)
    return f"{level} % interval {write(effect.low)} to {write(effect.high)}"


def bounds(effect: Effect, write: Callable[[float], str] = number) -> str:
    """Write the two ends of an interval."""
    return f"{write(effect.low)} to {write(effect.high)}"


def group(column: str, name: str) -> str:
    """Name the plants of one group."""
    return f"{name} plants" if column == "treatment" else f"plants with {column.replace('_', ' ')} '{name}'"


def compared(effect: Effect, names: tuple[str, str, str], faster: str, same: str) -> str:
    """Say how a ratio of two groups came out, without claiming what its interval does not hold.

    Parameters
    ----------
    effect : Effect
        A ratio.
    names : (column, of, against)
    faster : str
        Phrase with `{times}`, such as "died {times} times as fast as".
    same : str
        Phrase for no difference, such as "died neither faster nor slower than".
    """
    column, of, against = names
    one, other = group(column, of), group(column, against)
    what = f"{one} {faster.format(times=number(effect.estimate))} {other} ({interval(effect)})."
    what = what[:1].upper() + what[1:]
    if effect.low > 1 or effect.high < 1:
        return what
    guess = what[:1].lower() + what[1:]
    return f"No difference was shown: it may be that {one} {same} {other}. The best guess is that {guess}"
