"""Can this sensor see it? Data-sheet numbers against the needs of a plan, one by one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from labkit.analyse.displacement import noise_floor_m
from labkit.base import STANDARD_GRAVITY_M_S2, check_number
from labkit.decide.needs import Need, Plan, quantity_text, upper_first
from labkit.runs.facts import SensorFacts

__all__ = [
    "CameraSensor",
    "Check",
    "MotionSensor",
    "SensorVerdict",
    "can_see",
    "effective_noise_density",
    "mass_loading",
    "sensor_classes",
]

_LEAST_SHIFT_PX = 0.01  # registration promises no less on real frames (common practice, no source)
_DITHERED = 0.5  # steps of rms noise from which rounding acts like a little more noise (common practice)
_DECISIVE = ("noise_density_m_s2_rthz", "range_m_s2", "sample_rate_hz", "frame_rate_hz", "exposure_s", "shift_noise_m")

_CURES = {
    "noise_density_m_s2_rthz": "a sensor of lower noise, or a harder move",
    "range_m_s2": "a greater range, or a gentler move",
    "resolution_m_s2": "a smaller range or more bits",
    "sample_rate_hz": "a faster setting or logger, with its anti-alias filter",
    "bandwidth_hz": "a wider filter setting, or a correction by the response on the data sheet",
    "lowest_frequency_hz": "a sensor that reaches down to rest (MEMS), or a longer time constant",
    "mount_resonance_hz": "a stiffer mount: screw or thin glue on a flat spot, not tape, not a tab",
    "mass_kg": "a lighter sensor, or a place where more of the panel moves along",
    "frame_rate_hz": "more frames a second (a smaller window of the picture), or an accelerometer to unfold",
    "exposure_s": "a shorter exposure with more light, or the correction for the exposure",
    "shift_noise_m": "more texture, light or pixels in view, or a greater magnification",
}
#: What helps where it is only just enough, when that differs.
_CARE = {
    "noise_density_m_s2_rthz": "read fitted modes and not the trace, or take a sensor of lower noise",
    "sample_rate_hz": "read spectra and fitted modes, or take a faster setting",
    "frame_rate_hz": "read fitted modes and not single frames, or take more frames a second",
    "shift_noise_m": "read fitted modes and not the trace, or take more texture, light or pixels in view",
}


# ------------------------------------------------------------------------------------------------------ sensors
@dataclass(frozen=True, kw_only=True)
class MotionSensor:
    """An accelerometer by the numbers of its data sheet; nan is unknown.

    Parameters
    ----------
    name : str
        What it is called here.
    noise_density_m_s2_rthz : float
        One-sided noise density [m/s²/√Hz].
    range_m_s2 : float
        Full scale, one side [m/s²].
    sample_rate_hz : float
        Sample rate of the log [Hz].
    bits : float
        Bits over the whole of both sides.
    bandwidth_hz : float
        −3 dB corner [Hz].
    lowest_frequency_hz : float
        −3 dB corner at the low end [Hz]; 0 for a sensor that reaches down to rest.
    mass_kg : float
        Mass with mount and what the cable adds [kg].
    mount_resonance_hz : float
        Resonance on its mount [Hz]; no data sheet knows it for your mount.
    """

    name: str
    noise_density_m_s2_rthz: float = math.nan
    range_m_s2: float = math.nan
    sample_rate_hz: float = math.nan
    bits: float = math.nan
    bandwidth_hz: float = math.nan
    lowest_frequency_hz: float = math.nan
    mass_kg: float = math.nan
    mount_resonance_hz: float = math.nan

    def __post_init__(self) -> None:
        numbers = {key: value for key, value in vars(self).items() if key != "name"}
        for key, value in numbers.items():
            if not math.isnan(value):
                check_number(f"{self.name}: {key}", value, at_least=0.0)
        if self.range_m_s2 == 0.0 or self.sample_rate_hz == 0.0 or self.bits == 0.0:
            raise ValueError(f"{self.name}: range, sample rate and bits are above 0, or nan when unknown")

    @classmethod
    def from_facts(cls, facts: SensorFacts, *, bits: float = math.nan, name: str = "") -> MotionSensor:
        """The sensor that a run declares."""
        return cls(
            name=name or facts.model or "the sensor",
            noise_density_m_s2_rthz=facts.noise_density_m_s2_rthz,
            range_m_s2=facts.range_m_s2,
            sample_rate_hz=facts.nominal_rate_hz,
            bits=bits,
            mass_kg=facts.mass_kg,
        )

    @property
    def resolution_m_s2(self) -> float:
        """Step of the reading, 2·range/2^bits [m/s²]."""
        return 2 * self.range_m_s2 / 2**self.bits

    @property
    def dithered(self) -> bool:
        """True when its own noise spreads readings over steps, so that motion below a step is not lost."""
        return self._own_noise >= _DITHERED * self.resolution_m_s2

    @property
    def _own_noise(self) -> float:
        return self.noise_density_m_s2_rthz * math.sqrt(self.sample_rate_hz / 2)

    def offers(self) -> dict[str, float]:
        """What it brings to each need, by key [SI]; rounding counts as noise, and as nothing else when dithered."""
        shown = {key: getattr(self, key) for key in _CURES if hasattr(self, key)}
        shown["noise_density_m_s2_rthz"] = effective_noise_density(self)
        if self.dithered:
            del shown["resolution_m_s2"]
        return shown

    def floor_m(self, low_cut_hz: float) -> float:
        """Rms displacement that its noise leaves above a low cut, brick wall [m]."""
        return noise_floor_m(effective_noise_density(self), low_cut_hz=low_cut_hz)


def effective_noise_density(sensor: MotionSensor) -> float:
    """Noise of a sensor with that of its rounding, √(n² + q²/(6·rate)) [m/s²/√Hz].

    Rounding to steps q has the variance q²/12, spread evenly up to half the rate: q²/12 = (q²/(6·rate))·rate/2. Without
    known bits the noise of the data sheet stands alone.

    Parameters
    ----------
    sensor : MotionSensor
        The sensor.

    Examples
    --------
    >>> coarse = MotionSensor(name="8 bit", noise_density_m_s2_rthz=1e-3, range_m_s2=20.0, sample_rate_hz=600.0, bits=8)
    >>> round(1e3 * effective_noise_density(coarse), 3)
    2.79
    """
    rounding = sensor.resolution_m_s2 / math.sqrt(6 * sensor.sample_rate_hz)
    return math.hypot(sensor.noise_density_m_s2_rthz, 0.0 if math.isnan(rounding) else rounding)


@dataclass(frozen=True, kw_only=True)
class CameraSensor:
    """A camera that looks at something still, as a sensor of displacement; nan is unknown.

    Parameters
    ----------
    name : str
        What it is called here.
    frame_rate_hz : float
        Frame rate [Hz].
    exposure_s : float
        Exposure time [s].
    shift_noise_px : float
        Standard deviation with which a shift is read [px], such as the Cramér–Rao bound of the picture.
    object_pixel_m : float
        Size of a pixel at the object [m].
    """

    name: str
    frame_rate_hz: float = math.nan
    exposure_s: float = math.nan
    shift_noise_px: float = math.nan
    object_pixel_m: float = math.nan

    def __post_init__(self) -> None:
        for key in ("frame_rate_hz", "exposure_s", "shift_noise_px", "object_pixel_m"):
            if not math.isnan(getattr(self, key)):
                check_number(f"{self.name}: {key}", getattr(self, key), above=0.0)

    def offers(self) -> dict[str, float]:
        """What it brings to each need, by key [SI]; shifts are promised to no less than 0.01 px."""
        noise = math.nan if math.isnan(self.shift_noise_px) else max(self.shift_noise_px, _LEAST_SHIFT_PX)
        return {
            "frame_rate_hz": self.frame_rate_hz,
            "exposure_s": self.exposure_s,
            "shift_noise_m": noise * self.object_pixel_m,
        }


def sensor_classes() -> dict[str, MotionSensor]:
    """Kinds of accelerometer that builders have, with figures typical of their data sheets.

    From memory and common practice, no source; no product. Take the numbers of your own data sheet. The resonance on
    the mount is yours to find, so it is unknown here.
    """
    g = STANDARD_GRAVITY_M_S2
    kinds = {
        "hobby MEMS board": (300e-6, 2.0, 1000.0, 16, 250.0, 0.0, 3e-3),
        "mid-range MEMS": (100e-6, 2.0, 1600.0, 16, 500.0, 0.0, 4e-3),
        "low-noise MEMS": (25e-6, 2.0, 4000.0, 20, 1000.0, 0.0, 5e-3),
        "phone": (150e-6, 4.0, 200.0, 16, 100.0, 0.0, 0.19),
        "piezo with amplifier": (8e-6, 50.0, 10_000.0, 24, 5000.0, 0.5, 10e-3),
    }
    return {
        name: MotionSensor(
            name=name,
            noise_density_m_s2_rthz=noise * g,
            range_m_s2=reach * g,
            sample_rate_hz=rate,
            bits=bits,
            bandwidth_hz=band,
            lowest_frequency_hz=lowest,
            mass_kg=mass,
        )
        for name, (noise, reach, rate, bits, band, lowest, mass) in kinds.items()
    }


def mass_loading(sensor_mass_kg: float, *, modal_mass_kg: float) -> float:
    """Factor on a frequency by the mass of a sensor, 1/√(1 + m_s/m_modal) (Rayleigh, an upper bound).

    Parameters
    ----------
    sensor_mass_kg : float
        Sensor with its mount [kg].
    modal_mass_kg : float
        Mass that moves with the mode at its place [kg].

    Examples
    --------
    >>> round(mass_loading(0.02, modal_mass_kg=0.2), 4)
    0.9535
    """
    check_number("sensor_mass_kg", sensor_mass_kg, at_least=0.0)
    return 1 / math.sqrt(1 + sensor_mass_kg / check_number("modal_mass_kg", modal_mass_kg, above=0.0))


# ------------------------------------------------------------------------------------------------------ verdict
@dataclass(frozen=True, kw_only=True)
class Check:
    """One need held against what a sensor offers.

    Parameters
    ----------
    need : Need
        The need.
    offered : float
        What the sensor brings [SI]; nan when unknown.
    word : {"yes", "barely", "no", "unknown"}
        Whether it is enough.
    margin : float
        Offered over needed, so that above 1 is enough; nan when unknown.
    """

    need: Need
    offered: float
    word: str
    margin: float

    @property
    def sentence(self) -> str:
        """The check in words."""
        offered = quantity_text(self.need.key, self.offered)
        return f"{self.need.name}: {offered}, needed {self.need.text}: {self.word}"


@dataclass(frozen=True, kw_only=True)
class SensorVerdict:
    """Whether a sensor can see what a plan is about.

    Parameters
    ----------
    name : str
        The sensor.
    word : {"yes", "barely", "no", "unknown"}
        The verdict: barely means with care, for example from fitted modes only.
    margin : float
        Smallest known margin to the limits that must be kept; below 1 it fails.
    limit : str
        Name of the number that stands in the way, or would first.
    checks : tuple of Check
        Need by need.
    missing : tuple of str
        Numbers that are not known: of the sensor, or the limits of the plan.
    sentences : tuple of str
        Verdict, what stands in the way, and what would cure it.
    """

    name: str
    word: str
    margin: float
    limit: str
    checks: tuple[Check, ...]
    missing: tuple[str, ...]
    sentences: tuple[str, ...]


def can_see(sensor: MotionSensor | CameraSensor, plan: Plan) -> SensorVerdict:
    """Hold a sensor against a plan.

    Parameters
    ----------
    sensor : MotionSensor or CameraSensor
        The sensor; an accelerometer for `plan_log`, a camera for `plan_camera`.
    plan : Plan
        What is needed.

    Examples
    --------
    >>> from labkit.decide.needs import Expected
    >>> from labkit.decide.plans import plan_log
    >>> from labkit.runs.facts import MoveFacts
    >>> wren = Expected(frequency_hz=(11.0, 61.0), damping_ratio=(0.018, 0.045), amplitude_m=33e-6,
    ...                 move=MoveFacts(commanded_acceleration_m_s2=4.0), head_mass_kg=0.6, frame_mass_kg=22.0)
    >>> verdict = can_see(sensor_classes()["mid-range MEMS"], plan_log(wren, tolerance_m=3.45e-6))
    >>> verdict.word, verdict.limit
    ('barely', 'range, one side')
    """
    offers = sensor.offers()
    needs = [need for need in plan.needs if need.key in offers]
    if not needs:
        raise ValueError(
            f"{sensor.name} and the plan have no number in common: hold an accelerometer against plan_log and a camera "
            "against plan_camera"
        )
    checks = tuple(_check(need, offers[need.key]) for need in needs)
    word = _verdict(checks)
    known = [check for check in checks if not math.isnan(check.margin)]
    # the limit is the number that fares worst: first by its word, then by its margin
    worst = min(known, key=lambda check: (_ORDER.index(check.word), check.margin), default=None)
    missing = tuple(
        check.need.name if math.isnan(check.offered) else f"limit on the {check.need.name}"
        for check in checks
        if check.word == "unknown"
    )
    return SensorVerdict(
        name=sensor.name,
        word=word,
        margin=min((check.margin for check in known), default=math.nan),
        limit=worst.need.name if worst else "",
        checks=checks,
        missing=missing,
        sentences=_words(sensor.name, word, worst, checks, missing),
    )


_ORDER = ("no", "barely", "yes", "unknown")


def _check(need: Need, offered: float) -> Check:
    margin, comfort = need.margin(offered), need.comfort(offered)
    if comfort >= 1.0:
        word = "yes"
    elif math.isnan(margin):
        word = "unknown"
    else:
        word = "barely" if margin >= 1.0 else "no"
    return Check(need=need, offered=offered, word=word, margin=margin if not math.isnan(margin) else comfort)


def _verdict(checks: tuple[Check, ...]) -> str:
    words = {check.need.key: check.word for check in checks}
    if "no" in words.values():
        return "no"
    if any(words.get(key) == "unknown" for key in _DECISIVE):
        return "unknown"
    return "barely" if "barely" in words.values() else "yes"


_VERDICTS: Mapping[str, str] = {
    "yes": "can see it",
    "barely": "can barely see it",
    "no": "cannot see it",
    "unknown": "cannot be judged",
}


def _words(
    name: str, word: str, worst: Check | None, checks: tuple[Check, ...], missing: tuple[str, ...]
) -> tuple[str, ...]:
    words = [f"{upper_first(name)} {_VERDICTS[word]}."]
    if worst is not None and word in ("yes", "unknown"):
        words.append(f"Closest to its limit: {worst.sentence} (margin {worst.margin:.2g}).")
    for check in checks:
        if check.word in ("no", "barely"):
            cure = _CURES[check.need.key] if check.word == "no" else _CARE.get(check.need.key, _CURES[check.need.key])
            words.append(f"{upper_first(check.sentence)} (margin {check.margin:.2g}). Cure: {cure}.")
    if missing:
        words.append(f"Not known: {', '.join(missing)}.")
    return tuple(words)
