"""Make the demo runs of the Wren: invented machine, invented logs, known truth.

    python data/make_wren_runs.py [FOLDER]

writes the four runs (logs, run.toml, truth.json) beside this file, or into FOLDER; the same bytes every time. It
shares no code with labkit, which is tested against the truth written here.

Physics: each mode is a damped oscillator q'' + 2ζω q' + ω² q = −(drive)·a(t), pushed by the acceleration a(t) of a
head that makes jerk-limited moves from rest to rest. While the jerk is constant a(t) is a straight line in time, and
the oscillator has a closed solution; the pieces are joined, so no time step enters. The camera moves by Σ shape·q.
Beside it sits a three-axis MEMS accelerometer: gravity, tilt, offset, noise, hum, quantisation, and its own clock.
"""

from __future__ import annotations

import argparse
import gzip
import io
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

GRAVITY_M_S2 = 9.80665


# ------------------------------------------------------------------------------------------------ the moves
@dataclass(frozen=True)
class Profile:
    """Jerk-limited move that reaches both its acceleration and its speed."""

    acceleration_m_s2: float = 4.0
    speed_m_s: float = 0.25
    travel_m: float = 0.080
    jerk_m_s3: float = 400.0

    @property
    def pieces(self) -> list[tuple[float, float, float]]:
        """(duration [s], acceleration at its start [m/s²], jerk [m/s³]) of the seven pieces."""
        a, j = self.acceleration_m_s2, self.jerk_m_s3
        rise = a / j
        hold = self.speed_m_s / a - rise
        coast = self.travel_m / self.speed_m_s - (hold + 2 * rise)
        return [
            (rise, 0.0, j),
            (hold, a, 0.0),
            (rise, a, -j),
            (coast, 0.0, 0.0),
            (rise, 0.0, -j),
            (hold, -a, 0.0),
            (rise, -a, j),
        ]

    @property
    def duration_s(self) -> float:
        return sum(duration for duration, _, _ in self.pieces)


# ------------------------------------------------------------------------------------------------- the modes
@dataclass(frozen=True)
class Mode:
    """One mode of the machine: its pole, how hard the head pushes it, and how it moves the camera."""

    name: str
    frequency_hz: float
    damping_ratio: float
    drive: float  # force per modal mass over head acceleration
    shape_xyz: tuple[float, float, float]

    @property
    def decay_rate_s(self) -> float:
        return 2 * math.pi * self.frequency_hz * self.damping_ratio

    @property
    def omega_d_rad_s(self) -> float:
        return 2 * math.pi * self.frequency_hz * math.sqrt(1 - self.damping_ratio**2)

    def free(self, state: tuple[float, float]) -> tuple[float, float]:
        """(C, S) of q = exp(−decay·t)(C cos ωd t + S sin ωd t) for the state (q, q') at t = 0."""
        position, velocity = state
        return position, (velocity + self.decay_rate_s * position) / self.omega_d_rad_s

    def follow(self, state: tuple[float, float], force: float, slope: float, t: np.ndarray) -> np.ndarray:
        """Position, velocity and acceleration at times t after `state`, under the force force + slope·t."""
        omega2 = (2 * math.pi * self.frequency_hz) ** 2
        drift = slope / omega2
        level = (force - 2 * self.decay_rate_s * drift) / omega2
        c, s = self.free((state[0] - level, state[1] - drift))
        fall, phase = np.exp(-self.decay_rate_s * t), self.omega_d_rad_s * t
        ring = fall * (c * np.cos(phase) + s * np.sin(phase))
        turn = fall * (s * np.cos(phase) - c * np.sin(phase)) * self.omega_d_rad_s
        position = level + drift * t + ring
        velocity = drift + turn - self.decay_rate_s * ring
        return np.array(
            [
                position,
                velocity,
                force + slope * t - 2 * self.decay_rate_s * velocity - omega2 * position,
            ]
        )


@dataclass(frozen=True)
class Move:
    """One move as it happened: a little different each time."""

    start_s: float
    direction: int
    gain: float
    modes: tuple[Mode, ...]

    def pieces(self, profile: Profile) -> list[tuple[float, float, float, float]]:
        """(start [s], duration [s], acceleration [m/s²], jerk [m/s³]), ending with the rest of endless length."""
        out, at = [], self.start_s
        for duration, acceleration, jerk in [*profile.pieces, (math.inf, 0.0, 0.0)]:
            out.append((at, duration, self.direction * self.gain * acceleration, self.direction * self.gain * jerk))
            at += duration
        return out


def draw_moves(
    modes: tuple[Mode, ...], count: int, first_s: float, rest_s: float, profile: Profile, rng: np.random.Generator
) -> list[Move]:
    """Moves to and fro, with scatter in pause, push, frequency and damping."""
    moves, start = [], first_s
    for number in range(count):
        moves.append(
            Move(
                start_s=start,
                direction=1 - 2 * (number % 2),
                gain=1 + 0.03 * rng.standard_normal(),
                modes=tuple(
                    replace(
                        m,
                        frequency_hz=m.frequency_hz * (1 + 0.003 * rng.standard_normal()),
                        damping_ratio=m.damping_ratio * (1 + 0.02 * rng.standard_normal()),
                    )
                    for m in modes
                ),
            )
        )
        start += profile.duration_s + rest_s + rng.uniform(-0.04, 0.04)
    return moves


@dataclass
class Motion:
    """Camera motion at the wanted times, and the free decay after each move."""

    displacement_m: np.ndarray  # (3, n): x, y, z
    acceleration_m_s2: np.ndarray
    decays: list[list[tuple[float, float]]] = field(default_factory=list)  # (C, S) a move and mode


def simulate(moves: list[Move], profile: Profile, t: np.ndarray) -> Motion:
    """Exact motion at times t [s], starting from rest before the first move."""
    motion = Motion(np.zeros((3, t.size)), np.zeros((3, t.size)), [[] for _ in moves])
    for k in range(len(moves[0].modes)):
        state = (0.0, 0.0)
        shape = np.array(moves[0].modes[k].shape_xyz)[:, None]
        for move, decays, following in zip(moves, motion.decays, [*moves[1:], None]):
            mode, stop = move.modes[k], following.start_s if following else math.inf
            for start, duration, acceleration, jerk in move.pieces(profile):
                end = min(start + duration, stop)
                force = (-mode.drive * acceleration, -mode.drive * jerk)
                inside = slice(*np.searchsorted(t, [start, end]))
                position, _, push = mode.follow(state, *force, t[inside] - start)
                motion.displacement_m[:, inside] += shape * position
                motion.acceleration_m_s2[:, inside] += shape * push
                if math.isinf(duration):
                    decays.append(mode.free(state))
                if math.isfinite(end):
                    state = tuple(mode.follow(state, *force, np.array([end - start]))[:2, 0])
    return motion


# ------------------------------------------------------------------------------------------------ the sensor
@dataclass(frozen=True)
class Sensor:
    """Three-axis MEMS accelerometer with its own clock."""

    nominal_rate_hz: float = 1600.0
    clock_error: float = 0.008
    noise_density_ug_rthz: float = 100.0
    range_g: float = 2.0
    bits: int = 16
    tilt_deg: tuple[float, float] = (0.7, -1.2)  # about x, about y
    offset_mg: tuple[float, float, float] = (11.0, -7.0, 18.0)
    hum_mg: tuple[float, float, float] = (0.15, 0.25, 0.20)
    hum_hz: float = 50.0
    stamp_jitter_s: float = 20e-6

    @property
    def true_rate_hz(self) -> float:
        return self.nominal_rate_hz * (1 + self.clock_error)

    @property
    def lsb_g(self) -> float:
        return 2 * self.range_g / 2**self.bits

    @property
    def rotation(self) -> np.ndarray:
        """Machine axes to sensor axes."""
        (cx, cy), (sx, sy) = np.cos(np.radians(self.tilt_deg)), np.sin(np.radians(self.tilt_deg))
        about_x = np.array([[1, 0, 0], [0, cx, sx], [0, -sx, cx]])
        about_y = np.array([[cy, 0, -sy], [0, 1, 0], [sy, 0, cy]])
        return about_x @ about_y

    def counts(self, acceleration_m_s2: np.ndarray, t: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """What the converter puts out for the true acceleration of the camera (x, y, z up)."""
        force_g = acceleration_m_s2 / GRAVITY_M_S2 + np.array([[0.0], [0.0], [1.0]])
        hum = np.sin(2 * math.pi * self.hum_hz * t + rng.uniform(0, 2 * math.pi, (3, 1)))
        noise = 1e-6 * self.noise_density_ug_rthz * math.sqrt(self.true_rate_hz / 2) * rng.standard_normal((3, t.size))
        sensed = self.rotation @ force_g + 1e-3 * np.array([self.offset_mg]).T
        sensed += 1e-3 * np.array([self.hum_mg]).T * hum + noise
        top = 2 ** (self.bits - 1)
        return np.clip(np.rint(sensed / self.lsb_g), -top, top - 1)


# ------------------------------------------------------------------------------------------------- the files
@dataclass(frozen=True)
class Layout:
    """How a logger writes its text."""

    comment: tuple[str, ...]
    header: tuple[str, ...]
    time_factor: float
    time_digits: int
    value_factor: float  # from g
    value_digits: int
    separator: str = ","
    decimal: str = "."
    newline: str = "\n"
    bom: str = ""
    trigger: bool = True

    def text(self, stamps_s: np.ndarray, values_g: np.ndarray, moving: np.ndarray) -> str:
        form = self.separator.join([f"%.{self.time_digits}f"] + [f"%.{self.value_digits}f"] * 3 + ["%d"] * self.trigger)
        columns = [stamps_s * self.time_factor, *(values_g * self.value_factor), moving][: 4 + self.trigger]
        rows = (form % row for row in zip(*(column.tolist() for column in columns)))
        body = self.newline.join(row.replace(".", self.decimal) for row in rows)
        return self.bom + self.newline.join([*self.comment, self.separator.join(self.header), body]) + self.newline


COMMA = Layout(
    comment=("# Wren bench logger, invented data", "# ODR = 1600 Hz", "# range +-2 g, 16 bit"),
    header=("t_us", "ax [g]", "ay [g]", "az [g]", "moving"),
    time_factor=1e6,
    time_digits=0,
    value_factor=1.0,
    value_digits=6,
)
SEMICOLON = Layout(
    comment=("% Wren tray logger; invented data", "% rate;1600 Hz"),
    header=("t [ms]", "ax [mg]", "ay [mg]", "az [mg]", "moving"),
    time_factor=1e3,
    time_digits=3,
    value_factor=1e3,
    value_digits=2,
    separator=";",
    decimal=",",
    newline="\r\n",
    bom="\ufeff",
)
TABS = Layout(
    comment=(),
    header=("time (s)", "ax (m/s^2)", "ay (m/s^2)", "az (m/s^2)"),
    time_factor=1.0,
    time_digits=6,
    value_factor=GRAVITY_M_S2,
    value_digits=5,
    separator="\t",
    trigger=False,
)


def write_gz(path: Path, text: str) -> None:
    """Compress without a time stamp or a file name, so that the same text gives the same file."""
    buffer = io.BytesIO()
    with gzip.GzipFile(filename="", fileobj=buffer, mode="wb", compresslevel=9, mtime=0) as file:
        file.write(text.encode("utf-8"))
    path.write_bytes(buffer.getvalue())


# -------------------------------------------------------------------------------------------------- the runs
SWAY = Mode("frame sways on its feet", 11.3, 0.045, 0.012, (1.0, 0.06, 0.05))
HARDBOARD = (
    SWAY,
    Mode("panel bounces", 21.2, 0.026, 0.110, (0.10, 0.03, 1.0)),
    Mode("panel twists", 61.0, 0.018, 0.160, (0.8, 0.1, 0.3)),
)
WITH_FOOT = (
    SWAY,
    Mode("panel bounces on the foot", 38.6, 0.045, 0.110, (0.10, 0.03, 1.0)),
    Mode("panel twists", 61.4, 0.019, 0.160, (0.8, 0.1, 0.3)),
)
STEEL = (
    replace(SWAY, frequency_hz=10.9),
    Mode("panel bounces", 51.8, 0.010, 0.110, (0.10, 0.03, 1.0)),
    Mode("panel twists", 118.0, 0.007, 0.160, (0.8, 0.1, 0.3)),
)

CAMERA = {
    "pixel_um": 3.45,
    "magnification": 0.5,
    "f_number": 4.0,
    "exposure_ms": 2.0,
    "allowed_blur_px": 0.5,
}
TOLERANCE_M = 3.45e-6 / 0.5 * 0.5


@dataclass(frozen=True)
class Setup:
    """One run to be made."""

    name: str
    seed: int
    modes: tuple[Mode, ...]
    logs: tuple[tuple[str, int], ...]  # file, number of moves
    layout: Layout
    facts: dict
    sensor: Sensor = Sensor()
    uptime_s: float = 0.0  # log time of the first sample
    drop: tuple[int, float, int] | None = None  # (move, seconds after its end, samples) in the first log
    rest_s: float = 1.8


PANEL = {
    "material": "hardboard",
    "thickness_mm": 4.0,
    "length_mm": 300.0,
    "width_mm": 300.0,
    "supports": "standing on its four corners, camera hung in the middle",
    "foot_under_camera": False,
}


def facts(title: str, date: str, run: dict | None = None, **panel: object) -> dict:
    """Content of run.toml but for the logs."""
    return {
        "run": {
            "title": title,
            "date": date,
            **(run or {}),
            "synthetic": True,
            "notes": "Invented data from make_wren_runs.py; the truth stands in truth.json.",
        },
        "machine": {
            "name": "Wren, benchtop gantry that sets watch jewels into trays",
            "frame_mass_kg": 22.0,
            "head_mass_kg": 0.6,
        },
        "panel": {**PANEL, **panel},
        "move": {
            "commanded_acceleration_m_s2": 4.0,
            "travel_mm": 80.0,
            "speed_mm_s": 250.0,
            "jerk_m_s3": 400.0,
            "axis": "x",
        },
        "sensor": {
            "model": "three-axis MEMS, 16 bit",
            "place": "on the panel beside the camera",
            "axis": "x along the move, z up",
            "mounting": "screwed",
            "mass_g": 4.0,
            "range_g": 2.0,
            "noise_density_ug_rthz": 100.0,
            "nominal_rate_hz": 1600.0,
        },
        "camera": CAMERA,
        "environment": {"temperature_degc": 21.5},
    }


SETUPS = (
    Setup(
        "wren-hardboard",
        41,
        HARDBOARD,
        (("moves.csv.gz", 14),),
        COMMA,
        uptime_s=83.412907,
        drop=(5, 0.21, 40),
        facts=facts("Wren as built: 4 mm hardboard panel on its corners", "2025-03-10"),
    ),
    Setup(
        "wren-hardboard-repeat",
        42,
        HARDBOARD,
        (("moves.csv.gz", 14),),
        COMMA,
        uptime_s=51.075318,
        sensor=Sensor(clock_error=0.0081),
        facts=facts(
            "Wren as built, measured again the next day",
            "2025-03-11",
            {"changed_since": "wren-hardboard", "change": "nothing"},
        ),
    ),
    Setup(
        "wren-foot",
        43,
        WITH_FOOT,
        (("tray-1.csv.gz", 5), ("tray-2.csv.gz", 4), ("tray-3.csv.gz", 4)),
        SEMICOLON,
        sensor=Sensor(clock_error=0.0077),
        uptime_s=12.5,
        facts=facts(
            "Wren with a rubber-tipped foot under the camera",
            "2025-03-12",
            {"changed_since": "wren-hardboard", "change": "foot under the camera"},
            foot_under_camera=True,
        ),
    ),
    Setup(
        "wren-steel",
        44,
        STEEL,
        (("log.tsv.gz", 14),),
        TABS,
        sensor=Sensor(clock_error=0.0084),
        uptime_s=0.002,
        facts=facts(
            "Wren with a 3 mm steel panel",
            "2025-03-13",
            {"changed_since": "wren-hardboard", "change": "3 mm steel panel instead of hardboard"},
            material="steel",
            thickness_mm=3.0,
        ),
    ),
)


def make_log(setup: Setup, count: int, profile: Profile, rng: np.random.Generator, drop: bool) -> tuple[str, dict]:
    """Text of one log and its truth."""
    moves = draw_moves(setup.modes, count, 1.5 + rng.uniform(0, 0.2), setup.rest_s, profile, rng)
    rate = setup.sensor.true_rate_hz
    ends = np.array([move.start_s + profile.duration_s for move in moves])
    t = np.arange(math.ceil((ends[-1] + setup.rest_s) * rate)) / rate
    motion = simulate(moves, profile, t)
    counts = setup.sensor.counts(motion.acceleration_m_s2, t, rng)
    stamps = np.round(
        t
        + setup.uptime_s
        + np.clip(setup.sensor.stamp_jitter_s * rng.standard_normal(t.size), -0.3 / rate, 0.3 / rate),
        6,
    )
    starts = np.array([move.start_s for move in moves])
    moving = (np.searchsorted(starts, t, side="right") - np.searchsorted(ends, t, side="right")).astype(int)
    kept = np.ones(t.size, dtype=bool)
    truth = {
        "true_rate_hz": rate,
        "first_sample_s": setup.uptime_s,
        "samples_written": t.size,
        "dropped": None,
        "moves": [move_truth(setup, profile, moves, k, motion.decays[k]) for k in range(count)],
    }
    if drop:
        move, after_s, samples = setup.drop
        first = math.ceil((ends[move] + after_s) * rate)
        kept[first : first + samples] = False
        truth["samples_written"] -= samples
        truth["dropped"] = {
            "first_sample": first,
            "samples": samples,
            "from_s": setup.uptime_s + t[first],
            "to_s": setup.uptime_s + t[first + samples],
        }
    return setup.layout.text(stamps[kept], counts[:, kept] * setup.sensor.lsb_g, moving[kept]), truth


def move_truth(setup: Setup, profile: Profile, moves: list[Move], k: int, decays: list[tuple[float, float]]) -> dict:
    """What truly happened after move k; times in the log's time, displacements in metres."""
    move = moves[k]
    end = move.start_s + profile.duration_s
    rest_s = moves[k + 1].start_s - end if k + 1 < len(moves) else setup.rest_s
    t = np.arange(0.0, rest_s, 1e-5)
    ring = np.zeros((3, t.size))
    for mode, (c, s) in zip(move.modes, decays):
        phase = mode.omega_d_rad_s * t
        free = np.exp(-mode.decay_rate_s * t) * (c * np.cos(phase) + s * np.sin(phase))
        ring += np.array(mode.shape_xyz)[:, None] * free
    return {
        "start_s": setup.uptime_s + move.start_s,
        "end_s": setup.uptime_s + end,
        "rest_s": rest_s,
        "direction": move.direction,
        "gain": move.gain,
        "modes": [
            {
                "name": m.name,
                "frequency_hz": m.frequency_hz,
                "damping_ratio": m.damping_ratio,
                "amplitude_at_end_m": dict(zip("xyz", (np.abs(m.shape_xyz) * math.hypot(*cs)).tolist())),
            }
            for m, cs in zip(move.modes, decays)
        ],
        **after_move(t, ring, "xyz"),
        "along_sensor": after_move(t, setup.sensor.rotation @ ring, ("ax", "ay", "az")),
    }


def after_move(t: np.ndarray, displacement_m: np.ndarray, axes: Sequence[str]) -> dict:
    """Peak and settling time of the free displacement along each axis."""
    return {
        "peak_displacement_m": {axis: float(np.abs(along).max()) for axis, along in zip(axes, displacement_m)},
        "settling_s": {axis: settling_s(t, along) for axis, along in zip(axes, displacement_m)},
    }


def settling_s(t: np.ndarray, displacement_m: np.ndarray) -> float:
    """Last time outside ±tolerance of the final position 0, between two points by a straight line."""
    outside = np.flatnonzero(np.abs(displacement_m) > TOLERANCE_M)
    if not outside.size:
        return 0.0
    last = outside[-1]
    here, after = np.abs(displacement_m[last : last + 2])
    return float(t[last] + (here - TOLERANCE_M) / (here - after) * (t[last + 1] - t[last]))


def make_run(setup: Setup, folder: Path) -> None:
    """Write one run into its folder."""
    folder.mkdir(parents=True, exist_ok=True)
    rng, profile = np.random.default_rng(setup.seed), Profile()
    logs, truths = [], {}
    for number, (name, count) in enumerate(setup.logs):
        text, truth = make_log(setup, count, profile, rng, drop=setup.drop is not None and number == 0)
        write_gz(folder / name, text)
        truths[name] = truth
        entry = {"file": name}
        if setup.layout.trigger:
            entry["trigger_column"] = setup.layout.header[-1]
        else:
            entry["move_ends_s"] = [round(move["end_s"], 4) for move in truth["moves"]]
        logs.append(entry)
    truth = {
        "note": "Invented: what the generator put in. Times in the log's own time, displacements in machine axes.",
        "tolerance_m": TOLERANCE_M,
        "move_duration_s": profile.duration_s,
        "modes": [
            {
                "name": m.name,
                "frequency_hz": m.frequency_hz,
                "damping_ratio": m.damping_ratio,
                "drive": m.drive,
                "shape_xyz": m.shape_xyz,
            }
            for m in setup.modes
        ],
        "sensor": {
            "noise_density_ug_rthz": setup.sensor.noise_density_ug_rthz,
            "lsb_g": setup.sensor.lsb_g,
            "tilt_deg": setup.sensor.tilt_deg,
            "offset_mg": setup.sensor.offset_mg,
            "hum_hz": setup.sensor.hum_hz,
            "hum_mg": setup.sensor.hum_mg,
        },
        "logs": truths,
    }
    (folder / "truth.json").write_text(json.dumps(shortened(truth), indent=1) + "\n", encoding="utf-8", newline="\n")
    (folder / "run.toml").write_text(toml_text({**setup.facts, "log": logs}), encoding="utf-8", newline="\n")


def shortened(value: object) -> object:
    """The same structure with numbers of nine figures, so that the last bit of a processor does not show."""
    if isinstance(value, dict):
        return {key: shortened(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [shortened(item) for item in value]
    return float(f"{value:.9g}") if isinstance(value, float) else value


def toml_text(tables: dict, written_by: str = "make_wren_runs.py") -> str:
    """Tables of texts, numbers, flags and lists as TOML (their JSON form is valid TOML)."""
    lines = [f"# Invented data for the demo; written by {written_by}."]
    for name, content in tables.items():
        for table in content if isinstance(content, list) else [content]:
            lines += ["", f"[[{name}]]" if isinstance(content, list) else f"[{name}]"]
            lines += [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in table.items()]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the demo runs of the Wren (invented data).")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent)
    folder = parser.parse_args().folder
    for setup in SETUPS:
        make_run(setup, folder / setup.name)
        print(folder / setup.name)


if __name__ == "__main__":
    main()
