"""What was tested: the facts that belong to a run, in SI units.

Unknown numbers are nan, unknown texts "", an unknown yes or no is None: what follows from an unknown is unknown too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

__all__ = ["CameraFacts", "LayoutFacts", "MoveFacts", "PanelFacts", "RunFacts", "SensorFacts"]


@dataclass(frozen=True, kw_only=True)
class PanelFacts:
    """The panel that carries the camera.

    Parameters
    ----------
    material : str
        For example ``"hardboard"``; "" when unknown.
    thickness_m, length_m, width_m : float
        Size [m]; nan when unknown.
    supports : str
        Where and how the panel is held, in words.
    foot_under_camera : bool or None
        Whether a foot stands under the camera; None when unknown.
    """

    material: str = ""
    thickness_m: float = math.nan
    length_m: float = math.nan
    width_m: float = math.nan
    supports: str = ""
    foot_under_camera: bool | None = None


_UNKNOWN_POINT = (math.nan, math.nan, math.nan)


@dataclass(frozen=True, kw_only=True)
class LayoutFacts:
    """Where everything is in the machine; what a model of it needs beside the masses and the panel.

    All places in axes of the machine: x, y, z with z upwards and z = 0 where the feet meet the frame [m].

    Parameters
    ----------
    frame_size_m, frame_centre_m : tuple of float
        Outer size along x, y, z and centre of mass of the frame without ballast; nan when unknown.
    feet_m : tuple of (float, float)
        Feet of the frame (x, y).
    head_m : tuple of float
        Centre of mass of the head where its moves end.
    ballast_kg : float
        Mass added to the frame [kg], part of `RunFacts.frame_mass_kg`; 0 for none.
    ballast_m : tuple of float
        Its centre of mass.
    panel_corner_m : tuple of float
        Corner of the panel with the smallest x and y.
    panel_supports_m, panel_feet_m : tuple of (float, float)
        Where the panel stands on the frame, and where on the bench.
    camera_m : tuple of float
        Where the camera sits on the panel (x, y).
    camera_mass_kg : float
        Camera with lens and light [kg].
    sight_m : float
        Height of the object above the panel [m].
    camera_target : str
        "head": the head holds what the camera looks at; "bench": it stands still.
    """

    frame_size_m: tuple[float, float, float] = _UNKNOWN_POINT
    frame_centre_m: tuple[float, float, float] = _UNKNOWN_POINT
    feet_m: tuple[tuple[float, float], ...] = ()
    head_m: tuple[float, float, float] = _UNKNOWN_POINT
    ballast_kg: float = 0.0
    ballast_m: tuple[float, float, float] = _UNKNOWN_POINT
    panel_corner_m: tuple[float, float, float] = _UNKNOWN_POINT
    panel_supports_m: tuple[tuple[float, float], ...] = ()
    panel_feet_m: tuple[tuple[float, float], ...] = ()
    camera_m: tuple[float, float] = _UNKNOWN_POINT[:2]
    camera_mass_kg: float = math.nan
    sight_m: float = math.nan
    camera_target: str = ""


@dataclass(frozen=True, kw_only=True)
class MoveFacts:
    """The commanded move of the head, from rest to rest.

    Parameters
    ----------
    commanded_acceleration_m_s2, travel_m, speed_m_s : float
        Largest acceleration [m/s²], distance [m] and speed limit [m/s]; nan when unknown.
    jerk_m_s3 : float
        Jerk limit [m/s³]; nan means that the acceleration is switched at once (trapezoidal speed).
    axis : str
        Axis along which the head moves.

    Examples
    --------
    >>> MoveFacts(commanded_acceleration_m_s2=4.0, travel_m=0.08, speed_m_s=0.25, jerk_m_s3=400.0).duration_s
    0.3925
    >>> MoveFacts(commanded_acceleration_m_s2=4.0, travel_m=0.01, speed_m_s=0.25).duration_s  # never at full speed
    0.1
    """

    commanded_acceleration_m_s2: float = math.nan
    travel_m: float = math.nan
    speed_m_s: float = math.nan
    jerk_m_s3: float = math.nan
    axis: str = ""

    @property
    def duration_s(self) -> float:
        """Duration of the whole move [s]; nan when acceleration, travel or speed is unknown.

        Each ramp of the speed takes v/a + a/j; a move too short for the speed (or for the acceleration) is a pair
        of ramps that meet. Derived from the constant-jerk segments.
        """
        a, s, v = self.commanded_acceleration_m_s2, self.travel_m, self.speed_m_s
        if math.isnan(a + s + v):
            return math.nan
        j = math.inf if math.isnan(self.jerk_m_s3) else self.jerk_m_s3
        peak = min(a, math.sqrt(v * j))  # acceleration reached on the way to full speed
        ramp = v / peak + peak / j
        if s >= v * ramp:
            return s / v + ramp
        rise = a / j
        meeting = rise / 2 + math.sqrt(rise**2 / 4 + s / a)
        return 2 * (meeting if meeting >= 2 * rise else (4 * s / j) ** (1 / 3))


@dataclass(frozen=True, kw_only=True)
class SensorFacts:
    """The sensor that made the logs.

    Parameters
    ----------
    model, place, axis, mounting : str
        Type, where it sat, how its axes lie, how it was fixed; "" when unknown.
    range_m_s2 : float
        Full scale, one side [m/s²]; nan when unknown.
    noise_density_m_s2_rthz : float
        One-sided noise density of the data sheet [m/s²/√Hz]; nan when unknown.
    mass_kg : float
        Mass with mount [kg]; nan when unknown.
    nominal_rate_hz : float
        Sample rate that it was set to [Hz]; nan when unknown.
    """

    model: str = ""
    place: str = ""
    axis: str = ""
    range_m_s2: float = math.nan
    noise_density_m_s2_rthz: float = math.nan
    mass_kg: float = math.nan
    mounting: str = ""
    nominal_rate_hz: float = math.nan


@dataclass(frozen=True, kw_only=True)
class CameraFacts:
    """The camera and how still it must stand.

    Parameters
    ----------
    pixel_m : float
        Pixel pitch of the image sensor [m].
    magnification : float
        Image size over object size.
    f_number : float
        F-number at infinity.
    pupil_magnification : float
        Exit over entrance pupil diameter of the lens; 1 for a symmetric one.
    wavelength_m : float
        Wavelength of the light [m].
    exposure_s : float
        Exposure time [s].
    allowed_blur_px : float
        Movement allowed, in image pixels; fractions are usual.
    tolerance_m : float
        Movement allowed to either side of the settled position [m], when it is given directly.

    Examples
    --------
    >>> CameraFacts(pixel_m=3.45e-6, magnification=0.5, allowed_blur_px=0.5).tolerance_resolved_m
    3.45e-06
    """

    pixel_m: float = math.nan
    magnification: float = math.nan
    f_number: float = math.nan
    pupil_magnification: float = math.nan
    wavelength_m: float = math.nan
    exposure_s: float = math.nan
    allowed_blur_px: float = math.nan
    tolerance_m: float = math.nan

    @property
    def object_pixel_m(self) -> float:
        """Size of a pixel at the object, pitch over magnification [m]; nan when unknown."""
        return self.pixel_m / self.magnification

    @property
    def tolerance_resolved_m(self) -> float:
        """Tolerance as given, else object pixel × allowed pixels [m]; nan when neither is known."""
        return self.object_pixel_m * self.allowed_blur_px if math.isnan(self.tolerance_m) else self.tolerance_m


@dataclass(frozen=True, kw_only=True)
class RunFacts:
    """What was tested: nan, "" or None stand for what is not known.

    Parameters
    ----------
    title, machine, date, notes : str
        In the builder's words.
    changed_since, change : str
        Name of the run this one is compared with, and what was changed since.
    synthetic : bool
        True for invented data.
    panel, layout, move, sensor, camera : PanelFacts, LayoutFacts, MoveFacts, SensorFacts, CameraFacts
        The parts.
    frame_mass_kg, head_mass_kg : float
        Mass of the machine without head, and of the moving head [kg].
    temperature_degc : float
        Temperature at the machine [°C].
    """

    title: str = ""
    machine: str = ""
    date: str = ""
    panel: PanelFacts = field(default_factory=PanelFacts)
    layout: LayoutFacts = field(default_factory=LayoutFacts)
    frame_mass_kg: float = math.nan
    head_mass_kg: float = math.nan
    move: MoveFacts = field(default_factory=MoveFacts)
    sensor: SensorFacts = field(default_factory=SensorFacts)
    camera: CameraFacts = field(default_factory=CameraFacts)
    temperature_degc: float = math.nan
    notes: str = ""
    changed_since: str = ""
    change: str = ""
    synthetic: bool = False
