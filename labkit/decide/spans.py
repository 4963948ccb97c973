"""Numbers known as a range only: what a plan is made of before anything was measured.

A span says "from low to high" and nothing about probability, unlike an `Interval`. What follows from spans is found at
their corners, which is exact for functions that are monotone in every argument.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

from labkit.base import Estimate, Interval, check_number

__all__ = ["Span", "SpanLike", "as_span", "over_corners"]


@dataclass(frozen=True, kw_only=True)
class Span:
    """A number that lies somewhere from low to high; both ends nan when nothing is known.

    Parameters
    ----------
    low, high : float
        Ends, in the unit of the quantity; inf allowed.

    Examples
    --------
    >>> Span(low=1.0, high=3.0).text(scale=1e3, unit="mm")
    '1000–3000 mm'
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        if math.isnan(self.low) != math.isnan(self.high):
            raise ValueError(f"a span is unknown at both ends or at none: got {self.low}, {self.high}")
        if self.low > self.high:
            raise ValueError(f"span low {self.low} is above high {self.high}: swap the ends")

    @property
    def known(self) -> bool:
        """False when nothing is known (nan ends)."""
        return not math.isnan(self.low)

    def text(self, *, scale: float = 1.0, unit: str = "", digits: int = 3) -> str:
        """The span in words, in the unit shown; one number when both ends read alike."""
        if not self.known:
            return "unknown"
        low, high = (_digits(scale * end, digits) for end in (self.low, self.high))
        return (low if low == high else f"{low}–{high}") + (f" {unit}" if unit else "")


#: What is taken for a span: a number, (low, high), an Interval, an Estimate, a Span; nan for unknown.
SpanLike = float | tuple[float, float] | Interval | Estimate | Span


def as_span(name: str, value: SpanLike, *, above: float | None = None, below: float | None = None) -> Span:
    """A number or a range as a Span, checked at both ends; nan stays unknown.

    Parameters
    ----------
    name : str
        Name, for the error.
    value : float, (float, float), Interval, Estimate or Span
        The number or range; an Estimate counts with its interval, which must be known.
    above, below : float, optional
        Bounds that both ends must keep.

    Examples
    --------
    >>> as_span("damping_ratio", (0.01, 0.03), above=0.0).high
    0.03
    """
    if isinstance(value, Estimate):
        if not math.isnan(value.value) and not value.interval.known:
            raise ValueError(f"{name} is an estimate of unknown uncertainty; give the range it may have")
        value = value.interval
    if isinstance(value, Interval | Span):
        ends = (value.low, value.high)
    elif isinstance(value, tuple | list):
        if len(value) != 2:
            raise ValueError(f"{name} is {value!r}; a range is (low, high)")
        ends = tuple(value)
    else:
        ends = (value, value)
    if all(isinstance(end, int | float) and math.isnan(end) for end in ends):
        return Span(low=math.nan, high=math.nan)
    low, high = (check_number(name, end, above=above, below=below) for end in ends)
    if low > high:
        raise ValueError(f"{name} is {value!r}; a range is (low, high): swap the ends")
    return Span(low=low, high=high)


def over_corners(function: Callable[..., float], *spans: Span) -> Span:
    """Least and greatest value of a function over the corners of its arguments; unknown when one of them is.

    Exact for a function that is monotone in every argument.

    Parameters
    ----------
    function : callable
        From one number a span to a number.
    *spans : Span
        Its arguments.

    Examples
    --------
    >>> found = over_corners(lambda f, k: f / k, Span(low=1.0, high=2.0), Span(low=4.0, high=8.0))
    >>> found.low, found.high
    (0.125, 0.5)
    """
    if not all(span.known for span in spans):
        return Span(low=math.nan, high=math.nan)
    values = [function(*ends) for ends in itertools.product(*((span.low, span.high) for span in spans))]
    return Span(low=float(min(values)), high=float(max(values)))


def _digits(value: float, digits: int) -> str:
    """Significant digits without an exponent where a builder would write none."""
    if not math.isfinite(value) or value == 0.0:
        return f"{value:g}"
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, decimals)
    text = f"{rounded:.{max(0, decimals)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
