"""Shared leaves: intervals and estimates, validators, units and constants.

Nothing in here knows what a recording or a panel is; every other room may import it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy import special

__all__ = [
    "STANDARD_GRAVITY_M_S2",
    "Estimate",
    "Interval",
    "LogFormatError",
    "Unit",
    "check_array",
    "check_choice",
    "check_number",
    "find_unit",
    "known_units",
]

#: Standard acceleration of free fall [m/s²], exact by definition (ISO 80000-3; CGPM 1901).
STANDARD_GRAVITY_M_S2 = 9.80665


class LogFormatError(ValueError):
    """A log (or run) file that does not say what it must say.

    Parameters
    ----------
    file : str
        Name of the file.
    found, expected, cure : str
        What stands there, what should stand there, what the builder can do about it.
    line : int, optional
        1-based line of the file; None when the fault has no single line.
    column : str, optional
        Name (or 1-based number) of the column.
    """

    def __init__(
        self,
        file: str,
        *,
        found: str,
        expected: str,
        cure: str,
        line: int | None = None,
        column: str | None = None,
    ) -> None:
        self.file, self.line, self.column = str(file), line, column
        self.found, self.expected, self.cure = found, expected, cure
        place = self.file
        if line is not None:
            place += f", line {line}"
        if column is not None:
            place += f", column {column!r}"
        super().__init__(f"{place}: found {found}; expected {expected}. Cure: {cure}.")


@dataclass(frozen=True, kw_only=True)
class Interval:
    """An interval that covers the true value with probability `level`.

    Parameters
    ----------
    low, high : float
        Ends, in the unit of the quantity; both nan when the uncertainty is unknown, ±inf allowed.
    level : float
        Coverage probability, between 0 and 1.

    Examples
    --------
    >>> Interval(low=1.0, high=3.0, level=0.95).half_width
    1.0
    """

    low: float
    high: float
    level: float

    def __post_init__(self) -> None:
        check_number("level", self.level, above=0.0, below=1.0)
        if math.isnan(self.low) != math.isnan(self.high):
            raise ValueError(f"an interval is unknown at both ends or at none: got {self.low}, {self.high}")
        if self.low > self.high:
            raise ValueError(f"interval low {self.low} is above high {self.high}: swap the ends")

    @property
    def half_width(self) -> float:
        """Half the distance between the ends."""
        return 0.5 * (self.high - self.low)

    @property
    def known(self) -> bool:
        """False when the uncertainty is unknown (nan ends)."""
        return not math.isnan(self.low)

    @property
    def log_sd(self) -> float:
        """Standard deviation of the logarithm of a positive number that has this interval as its normal range."""
        return math.log(self.high / self.low) / (2.0 * float(special.ndtri(0.5 + self.level / 2.0)))

    def contains(self, value: float) -> bool:
        """True when `value` lies inside; False for an unknown interval."""
        return self.low <= value <= self.high


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A value with its standard uncertainty and its interval.

    Parameters
    ----------
    value : float
        Best estimate; nan when there is none.
    standard_error : float
        Standard uncertainty (GUM 2.3.1) in the unit of the value; nan when unknown, never 0 for "unknown".
    interval : Interval
        Coverage interval; nan ends when unknown.

    Examples
    --------
    >>> e = Estimate.from_standard_error(10.0, 1.0, dof=float("inf"), level=0.95)
    >>> round(e.interval.high, 2)
    11.96
    """

    value: float
    standard_error: float
    interval: Interval

    @classmethod
    def from_standard_error(
        cls,
        value: float,
        standard_error: float,
        *,
        dof: float,
        level: float = 0.95,
    ) -> Estimate:
        """Symmetric Student-t interval (GUM G.3) around `value` with `dof` degrees of freedom."""
        check_number("level", level, above=0.0, below=1.0)
        if math.isnan(standard_error) or math.isnan(value) or not dof > 0:
            return cls.unknown(value, level=level)
        check_number("standard_error", standard_error, at_least=0.0)
        quantile = special.ndtri(0.5 + level / 2) if math.isinf(dof) else special.stdtrit(dof, 0.5 + level / 2)
        half = float(quantile) * standard_error
        return cls(
            value=float(value),
            standard_error=float(standard_error),
            interval=Interval(low=float(value - half), high=float(value + half), level=level),
        )

    @classmethod
    def unknown(cls, value: float = math.nan, *, level: float = 0.95) -> Estimate:
        """A value whose uncertainty is not known (or, by default, no value at all)."""
        return cls(
            value=float(value),
            standard_error=math.nan,
            interval=Interval(low=math.nan, high=math.nan, level=level),
        )


# ---------------------------------------------------------------------------------------------- validators
def check_number(
    name: str,
    value: float,
    *,
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
    cure: str = "",
) -> float:
    """Return `value` as a finite float inside the stated bounds, or raise with name, value, rule and cure."""
    rules = [
        (f"above {above:g}", lambda v: v > above) if above is not None else None,
        (f"at least {at_least:g}", lambda v: v >= at_least) if at_least is not None else None,
        (f"below {below:g}", lambda v: v < below) if below is not None else None,
        (f"at most {at_most:g}", lambda v: v <= at_most) if at_most is not None else None,
    ]
    rules = [rule for rule in rules if rule]
    text = " and ".join(["a finite number", *(words for words, _ in rules)])
    if isinstance(value, bool | np.bool_ | str | bytes) or value is None:
        raise TypeError(f"{name} is {value!r}; it must be {text}{_cure(cure)}")
    try:
        number = float(value)
    except (TypeError, ValueError) as error:
        raise TypeError(f"{name} is {value!r}; it must be {text}{_cure(cure)}") from error
    if not math.isfinite(number) or not all(holds(number) for _, holds in rules):
        raise ValueError(f"{name} is {value!r}; it must be {text}{_cure(cure)}")
    return number


def check_choice(name: str, value: str, choices: Iterable[str], *, cure: str = "") -> str:
    """Return `value` if it is one of `choices`, or raise with the choices."""
    choices = list(choices)
    if value not in choices:
        raise ValueError(f"{name} is {value!r}; it must be one of {', '.join(map(repr, choices))}{_cure(cure)}")
    return value


def check_array(
    name: str,
    values: object,
    *,
    ndim: int,
    min_length: int = 1,
    finite: bool = True,
    cure: str = "",
) -> np.ndarray:
    """Return `values` as a float64 array of `ndim` dimensions, time last, or raise with the rule broken."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise TypeError(f"{name} must be an array of real numbers{_cure(cure)}") from error
    if array.ndim != ndim:
        raise ValueError(f"{name} has {array.ndim} dimension(s); it must have {ndim}{_cure(cure)}")
    if array.shape[-1] < min_length:
        raise ValueError(f"{name} has {array.shape[-1]} sample(s); it must have at least {min_length}{_cure(cure)}")
    if finite and not np.isfinite(array).all():
        bad = int(array.size - np.isfinite(array).sum())
        raise ValueError(f"{name} has {bad} value(s) that are not finite{_cure(cure) or '; cut them out first'}")
    return array


def _cure(cure: str) -> str:
    return f"; {cure}" if cure else ""


# --------------------------------------------------------------------------------------------------- units
@dataclass(frozen=True, kw_only=True)
class Unit:
    """What a unit symbol in a file means: value_si = factor · value_in_file.

    Parameters
    ----------
    quantity : str
        One of "acceleration", "velocity", "displacement", "image displacement", "force", "time", "angular rate",
        "temperature", "trigger", "counts".
    symbol_si : str
        Symbol of the unit that the value has after multiplication.
    factor : float
        Multiplier.
    """

    quantity: str
    symbol_si: str
    factor: float


_G = STANDARD_GRAVITY_M_S2
# Spellings as they stand in real headers, lower case except where case carries the meaning (checked first).
_CASE_SENSITIVE = {
    # mega-somethings, and gauss or g: not known, so never guessed
    "Mm": None,
    "MS": None,
    "Ms": None,
    "G": None,
}
_UNITS: dict[str, Unit] = {}


def _add(quantity: str, symbol_si: str, factors: dict[str, float]) -> None:
    for spellings, factor in factors.items():
        for spelling in spellings.split():
            _UNITS[spelling] = Unit(quantity=quantity, symbol_si=symbol_si, factor=factor)


_add(
    "acceleration",
    "m/s^2",
    {
        "m/s^2 m/s2 m/s² m/s/s m/s**2 m_s2 ms-2 m.s-2 m·s-2 m·s⁻² mps2": 1.0,
        "mm/s^2 mm/s2 mm/s² mm/s/s mm/s**2 mm_s2 mm.s-2 mmps2": 1e-3,
        "cm/s^2 cm/s2 cm/s² gal": 1e-2,
        "g gn g0 gravity": _G,
        "mg": 1e-3 * _G,
        "µg ug": 1e-6 * _G,
    },
)
_add("velocity", "m/s", {"m/s m_s mps": 1.0, "mm/s mm_s mmps": 1e-3, "µm/s um/s": 1e-6})
_add("displacement", "m", {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "µm um micron microns": 1e-6, "nm": 1e-9})
_add("image displacement", "px", {"px pix pixel pixels": 1.0})
_add("force", "N", {"n": 1.0, "mn": 1e-3, "kn": 1e3})
_add(
    "time",
    "s",
    {
        "s sec secs second seconds": 1.0,
        "ms msec millis milliseconds": 1e-3,
        "µs us usec micros microseconds": 1e-6,
        "ns nsec nanos nanoseconds": 1e-9,
        "min minutes": 60.0,
    },
)
_add("angular rate", "rad/s", {"rad/s": 1.0, "deg/s °/s dps": math.pi / 180})
_add("temperature", "degC", {"°c degc celsius": 1.0})
_add("trigger", "1", {"trigger trig": 1.0})
_add("counts", "count", {"count counts raw lsb adc": 1.0})


def find_unit(symbol: str) -> Unit | None:
    """Meaning of a unit symbol as it stands in a file, or None when it is not known.

    Parameters
    ----------
    symbol : str
        For example ``"mg"``, ``"m/s²"``, ``"µm"``, ``"us"``; blanks and letter case are forgiven, except where
        case carries the meaning.

    Examples
    --------
    >>> find_unit("mg").factor
    0.00980665
    >>> find_unit("furlong") is None
    True
    """
    # U+03BC (Greek mu) and U+00B5 (micro sign) look alike and both occur.
    text = symbol.strip().strip("[]()").replace("\u03bc", "µ").replace(" ", "")
    if text in _CASE_SENSITIVE:
        return _CASE_SENSITIVE[text]
    return _UNITS.get(text) or _UNITS.get(text.lower())


def known_units(quantity: str) -> list[str]:
    """Spellings accepted for a quantity, for error messages and documentation."""
    return [spelling for spelling, unit in _UNITS.items() if unit.quantity == quantity]
