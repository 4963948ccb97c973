"""Sheet materials with ranges and sources, and the bending rigidity of a plate of them.

The table is a start, not a promise: sheets differ by 5 % (metals) to 30 % (wood, plastics). Measure a strip of
your own sheet (`labkit.model.strip`) and put the result in with `Material.measured`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from labkit.base import Estimate, Interval, check_choice, check_number

__all__ = [
    "MATERIALS",
    "Material",
    "MaterialNumber",
    "Rigidity",
    "material",
    "plate_rigidity",
]

#: Coverage that a handbook range is taken to have; a judgement, not a count.
RANGE_LEVEL = 0.95


@dataclass(frozen=True, kw_only=True)
class MaterialNumber:
    """One number of a material, with the range it may have and where it comes from.

    Parameters
    ----------
    value : float
        The number to compute with, SI.
    interval : Interval
        Range; nan ends when unknown.
    source : str
        Where it was read, or "from memory", or "measured …".
    """

    value: float
    interval: Interval
    source: str

    def __post_init__(self) -> None:
        check_number("value", self.value, at_least=0.0)
        if self.interval.known and not self.interval.contains(self.value):
            raise ValueError(
                f"value is {self.value:g}, outside its own interval {self.interval.low:g}…{self.interval.high:g}; "
                "correct one of them"
            )


@dataclass(frozen=True, kw_only=True)
class Material:
    """A sheet material; along = the panel's length direction.

    Parameters
    ----------
    name : str
        What the sheet is called.
    young_modulus_pa : MaterialNumber
        Bending modulus along the length [Pa].
    density_kg_m3 : MaterialNumber
        Density [kg/m³].
    poisson_ratio : MaterialNumber
        Contraction across when pulled along.
    loss_factor : MaterialNumber
        η of the material itself, 2ζ; joints of a built machine add far more than a metal sheet has.
    creep_factor : MaterialNumber
        Long-term extra deflection over elastic deflection, for a load that stays for years indoors.
    young_modulus_across_pa, shear_modulus_pa : MaterialNumber, optional
        For sheets with a grain; both or neither. [Pa]

    Examples
    --------
    >>> material("mild steel").young_modulus_pa.value
    205000000000.0
    """

    name: str
    young_modulus_pa: MaterialNumber
    density_kg_m3: MaterialNumber
    poisson_ratio: MaterialNumber
    loss_factor: MaterialNumber
    creep_factor: MaterialNumber
    young_modulus_across_pa: MaterialNumber | None = None
    shear_modulus_pa: MaterialNumber | None = None

    def __post_init__(self) -> None:
        if (self.young_modulus_across_pa is None) != (self.shear_modulus_pa is None):
            raise ValueError(
                f"material {self.name!r} has only one of young_modulus_across_pa and shear_modulus_pa; "
                "give both (sheet with a grain) or neither"
            )
        for name in ("young_modulus_pa", "density_kg_m3", "young_modulus_across_pa", "shear_modulus_pa"):
            number = getattr(self, name)
            if number is not None:
                check_number(f"{name} of {self.name!r}", number.value, above=0.0)
        check_number(f"poisson_ratio of {self.name!r}", self.poisson_ratio.value, at_least=0.0, below=1.0)
        if self.young_modulus_across_pa is not None:
            minor = self.poisson_ratio.value * self.young_modulus_across_pa.value / self.young_modulus_pa.value
            check_number(f"ν_along·ν_across of {self.name!r}", self.poisson_ratio.value * minor, below=1.0)

    @property
    def has_grain(self) -> bool:
        """True when along and across differ."""
        return self.young_modulus_across_pa is not None

    def turned(self) -> Material:
        """The same sheet with its grain across the panel."""
        if not self.has_grain:
            return self
        ratio = self.young_modulus_across_pa.value / self.young_modulus_pa.value
        return replace(
            self,
            young_modulus_pa=self.young_modulus_across_pa,
            young_modulus_across_pa=self.young_modulus_pa,
            poisson_ratio=_times(self.poisson_ratio, ratio),
        )

    def scaled(self, factor: float) -> Material:
        """The sheet with all its moduli (and their ranges) times `factor`."""
        check_number("factor", factor, above=0.0)
        moduli = ("young_modulus_pa", "young_modulus_across_pa", "shear_modulus_pa")
        return replace(
            self, **{name: _times(getattr(self, name), factor) for name in moduli if getattr(self, name) is not None}
        )

    def measured(self, *, source: str, **numbers: Estimate) -> Material:
        """The material with measured numbers in place of the table's.

        Parameters
        ----------
        source : str
            How it was measured; kept beside the number.
        **numbers : Estimate
            Any of the number fields, for example ``young_modulus_pa=strip_modulus_from_push(…)``.
        """
        for name, number in numbers.items():
            check_choice("material number", name, _NUMBER_FIELDS)
            if not isinstance(number, Estimate):
                raise TypeError(f"{name} is {number!r}; it must be an Estimate (Estimate.unknown if no interval)")
        changed = {
            name: MaterialNumber(value=number.value, interval=number.interval, source=source)
            for name, number in numbers.items()
        }
        return replace(self, **changed)


def _times(number: MaterialNumber, factor: float) -> MaterialNumber:
    ends = number.interval
    interval = Interval(low=ends.low * factor, high=ends.high * factor, level=ends.level)
    return replace(number, value=number.value * factor, interval=interval)


_NUMBER_FIELDS = (
    "young_modulus_pa",
    "density_kg_m3",
    "poisson_ratio",
    "loss_factor",
    "creep_factor",
    "young_modulus_across_pa",
    "shear_modulus_pa",
)


# ------------------------------------------------------------------------------------------------- plate rigidity
@dataclass(frozen=True, kw_only=True)
class Rigidity:
    """Bending stiffness of an orthotropic plate per unit width [N·m].

    Parameters
    ----------
    along, across : float
        D11 and D22 [N·m].
    coupling : float
        D12 [N·m].
    twist : float
        D66 [N·m]; D(1 − ν)/2 for a sheet without grain.
    """

    along: float
    across: float
    coupling: float
    twist: float


def plate_rigidity(sheet: Material, *, thickness_m: float) -> Rigidity:
    """Rigidity of a sheet, D = E·h³/(12(1 − ν²)) when it has no grain [1]_.

    Parameters
    ----------
    sheet : Material
        The material.
    thickness_m : float
        Thickness h [m].

    References
    ----------
    .. [1] S. P. Timoshenko and S. Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed., 1959; Eq. 3 and, for
       orthotropic plates, art. 85 (from memory).

    Examples
    --------
    >>> round(plate_rigidity(material("mild steel"), thickness_m=0.003).along, 1)
    506.9
    """
    thickness = check_number("thickness_m", thickness_m, above=0.0)
    young, ratio = sheet.young_modulus_pa.value, sheet.poisson_ratio.value
    across = sheet.young_modulus_across_pa.value if sheet.has_grain else young
    shear = sheet.shear_modulus_pa.value if sheet.has_grain else young / (2.0 * (1.0 + ratio))
    inertia = thickness**3 / 12.0
    stiffening = 1.0 - ratio**2 * across / young
    return Rigidity(
        along=young * inertia / stiffening,
        across=across * inertia / stiffening,
        coupling=ratio * across * inertia / stiffening,
        twist=shear * inertia,
    )


# ---------------------------------------------------------------------------------------------------------- table
def _number(value: float, low: float, high: float, source: str) -> MaterialNumber:
    return MaterialNumber(value=value, interval=Interval(low=low, high=high, level=RANGE_LEVEL), source=source)


_TEXTBOOK = "strength-of-materials textbook, table of properties (200 GPa, 7850, 0.32); material card S235 (210, 7800)"
_IRVINE = "T. Irvine, note on damping of materials, after Cremer and Heckl"
_NO_CREEP = _number(0.0, 0.0, 0.0, "metals do not creep at room temperature under such loads (textbook knowledge)")
_MEMORY = "from memory"
_GPA = 1e9

_ALL = (
    Material(
        name="mild steel",
        young_modulus_pa=_number(205 * _GPA, 200 * _GPA, 210 * _GPA, _TEXTBOOK),
        density_kg_m3=_number(7850, 7800, 7870, _TEXTBOOK),
        poisson_ratio=_number(0.30, 0.28, 0.32, _TEXTBOOK),
        loss_factor=_number(3e-4, 2e-5, 6e-4, _IRVINE),
        creep_factor=_NO_CREEP,
    ),
    Material(
        name="stainless steel",
        young_modulus_pa=_number(195 * _GPA, 190 * _GPA, 200 * _GPA, "textbook and material card, type 304: 193…200"),
        density_kg_m3=_number(7900, 7800, 8000, "textbook and material card, type 304"),
        poisson_ratio=_number(0.29, 0.27, 0.30, "textbook and material card, type 304"),
        loss_factor=_number(5e-4, 1e-4, 1e-3, _MEMORY),
        creep_factor=_NO_CREEP,
    ),
    Material(
        name="aluminium",
        young_modulus_pa=_number(69 * _GPA, 68 * _GPA, 72 * _GPA, "textbook and material card, 6061-T6: 68.9…72"),
        density_kg_m3=_number(2700, 2680, 2720, "textbook and material card, 6061-T6"),
        poisson_ratio=_number(0.33, 0.32, 0.35, "textbook and material card, 6061-T6"),
        loss_factor=_number(1e-4, 1e-5, 1e-3, _IRVINE),
        creep_factor=_NO_CREEP,
    ),
    Material(
        name="cast acrylic",
        young_modulus_pa=_number(3.1 * _GPA, 2.8 * _GPA, 3.3 * _GPA, "sheet makers' data (ISO 527); at 10 Hz 4.7"),
        density_kg_m3=_number(1190, 1180, 1200, "sheet makers' data"),
        poisson_ratio=_number(0.37, 0.35, 0.40, "sheet makers' data"),
        loss_factor=_number(0.06, 0.04, 0.08, "from memory; one published ring-down 0.07"),
        creep_factor=_number(1.2, 0.8, 1.6, "long-term modulus 40–50 % of short-term: from memory"),
    ),
    Material(
        name="polycarbonate",
        young_modulus_pa=_number(2.35 * _GPA, 2.3 * _GPA, 2.4 * _GPA, "sheet maker's data (ISO 527) and distributor"),
        density_kg_m3=_number(1200, 1190, 1210, "sheet maker's data"),
        poisson_ratio=_number(0.38, 0.36, 0.40, "distributor's data"),
        loss_factor=_number(0.015, 0.01, 0.02, _MEMORY),
        creep_factor=_number(0.6, 0.3, 1.0, _MEMORY),
    ),
    Material(
        name="MDF",
        young_modulus_pa=_number(2.7 * _GPA, 2.3 * _GPA, 3.2 * _GPA, "IS 12406 data sheet, 2.3…2.8 by thickness"),
        density_kg_m3=_number(740, 680, 800, "IS 12406 data sheet"),
        poisson_ratio=_number(0.25, 0.20, 0.30, _MEMORY),
        loss_factor=_number(0.02, 0.01, 0.03, "from memory; one published ring-down 0.017"),
        creep_factor=_number(2.25, 1.5, 3.0, "k_def of EN 1995-1-1, service class 1 (high: class 2): from memory"),
    ),
    Material(
        name="hardboard",
        young_modulus_pa=_number(4.0 * _GPA, 3.1 * _GPA, 5.5 * _GPA, "Wood Handbook, Table 12-1: from memory"),
        density_kg_m3=_number(970, 900, 1050, "Wood Handbook, Table 12-1: from memory"),
        poisson_ratio=_number(0.25, 0.20, 0.30, _MEMORY),
        loss_factor=_number(0.045, 0.03, 0.06, "from memory; one published ring-down 0.062"),
        creep_factor=_number(2.25, 1.5, 3.0, "k_def of EN 1995-1-1, service class 1 (high: class 2): from memory"),
    ),
    Material(
        name="birch plywood",
        young_modulus_pa=_number(8.0 * _GPA, 6.0 * _GPA, 10.0 * _GPA, "trade data sheets; upper end from memory"),
        density_kg_m3=_number(680, 640, 700, "trade data sheets"),
        poisson_ratio=_number(0.09, 0.03, 0.20, _MEMORY),
        loss_factor=_number(0.02, 0.01, 0.04, _MEMORY),
        creep_factor=_number(0.8, 0.6, 1.0, "k_def of EN 1995-1-1, service class 1 (high: class 2): from memory"),
        young_modulus_across_pa=_number(5.0 * _GPA, 3.0 * _GPA, 8.0 * _GPA, "trade sheets; upper end from memory"),
        shear_modulus_pa=_number(0.7 * _GPA, 0.5 * _GPA, 1.0 * _GPA, "panel shear modulus: from memory"),
    ),
    Material(
        name="FR-4",
        young_modulus_pa=_number(18.6 * _GPA, 17.0 * _GPA, 24.0 * _GPA, "laminate maker, flexural (tensile: 24)"),
        density_kg_m3=_number(1840, 1820, 1900, "laminate maker and encyclopaedia table"),
        poisson_ratio=_number(0.136, 0.11, 0.18, "encyclopaedia table"),
        loss_factor=_number(0.008, 0.005, 0.01, _MEMORY),
        creep_factor=_number(0.1, 0.0, 0.3, _MEMORY),
        young_modulus_across_pa=_number(15.2 * _GPA, 14 * _GPA, 21 * _GPA, "laminate maker, flexural (tensile: 21)"),
        shear_modulus_pa=_number(5.5 * _GPA, 3.5 * _GPA, 7.5 * _GPA, _MEMORY),
    ),
    Material(
        name="PETG",
        young_modulus_pa=_number(2.3 * _GPA, 2.0 * _GPA, 3.0 * _GPA, "printed flat, solid: filament property tables"),
        density_kg_m3=_number(1270, 1250, 1290, "filament property tables"),
        poisson_ratio=_number(0.38, 0.35, 0.40, _MEMORY),
        loss_factor=_number(0.03, 0.02, 0.04, _MEMORY),
        creep_factor=_number(1.0, 0.5, 2.0, _MEMORY),
    ),
    Material(
        name="PLA",
        young_modulus_pa=_number(3.4 * _GPA, 2.7 * _GPA, 4.0 * _GPA, "printed flat, solid: filament tables, card"),
        density_kg_m3=_number(1240, 1220, 1260, "filament property tables and material card"),
        poisson_ratio=_number(0.36, 0.33, 0.38, "material card"),
        loss_factor=_number(0.02, 0.01, 0.03, _MEMORY),
        creep_factor=_number(1.0, 0.5, 2.0, _MEMORY),
    ),
)

#: Materials by name.
MATERIALS: dict[str, Material] = {entry.name: entry for entry in _ALL}


def material(name: str) -> Material:
    """Material of the table by its name.

    Parameters
    ----------
    name : str
        One of `MATERIALS`.

    Examples
    --------
    >>> material("birch plywood").has_grain
    True
    """
    return MATERIALS[check_choice("material", name, MATERIALS, cure="or build a Material from your own numbers")]
