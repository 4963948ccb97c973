"""Make the demo series of the Wren: ten runs with other ballast, acceleration or panel; invented data, known truth.

    python data/make_wren_series.py [FOLDER]

writes `wren-series` beside this file, or into FOLDER; the same bytes every time. It shares no code with labkit, which
is tested against the truth written here.

Physics: frame (rigid, six motions), head (a point mass on three springs) and panel (thin plate, products of Legendre
polynomials for its rise above the ground, springs to the frame at its corners, the camera a point mass) are put into
one mass and one stiffness matrix; its modes are driven by the head's acceleration. Damping is each part's loss factor
times its share of a mode's energy. Modes above 250 Hz are left out, the head's pose counts where its moves end, and
gravity does not act. The picture shows a target that the head holds: it moves with the frame at that place and with the
head on its springs, against the line of sight of the camera, which tilts with the panel. Defocus is left out.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
from dataclasses import dataclass, replace
from pathlib import Path

import imageio.v3 as iio
import make_wren_clips as pictures
import make_wren_runs as wren
import numpy as np
from numpy.polynomial import legendre

# ------------------------------------------------------------------------------------------------ the machine
FRAME_MM, CENTRE_MM = (500.0, 450.0, 400.0), (250.0, 225.0, 120.0)
FEET_MM = [[20.0, 20.0], [480.0, 20.0], [20.0, 430.0], [480.0, 430.0]]
HEAD_MM, HEAD_KG, BARE_FRAME_KG = (320.0, 245.0, 320.0), 0.6, 21.4
BALLAST_MM = (250.0, 225.0, 30.0)
CORNER_MM, SIDE_MM = (20.0, 75.0, 60.0), 300.0
CAMERA_MM, CAMERA_KG, SIGHT_MM = (240.0, 225.0), 0.15, 150.0
FOOT_N_PER_M = (2.85e4, 2.85e4, 1.9e5)
LOSS = {"foot": 0.10, "support": 0.05, "mount": 0.08}
SUPPORT_N_PER_M, MOUNT_N_PER_M = 3e6, 2.2e5
SHEETS = {  # Young's modulus [Pa], Poisson's ratio, density [kg/m³], loss factor with the joints
    "hardboard": (4.4e9, 0.25, 970.0, 0.055),
    "aluminium": (69e9, 0.33, 2700.0, 0.012),
    "mild steel": (201e9, 0.29, 7850.0, 0.015),
}
HIGHEST_HZ = 250.0
N_SERIES = 12  # polynomials along each side of the panel


@dataclass(frozen=True)
class Build:
    """One run of the series."""

    name: str
    title: str
    sheet: str = "hardboard"
    thickness_mm: float = 3.0
    ballast_kg: float = 0.0
    acceleration_m_s2: float = 8.0

    @property
    def panel_kg(self) -> float:
        return SHEETS[self.sheet][2] * (1e-3 * SIDE_MM) ** 2 * 1e-3 * self.thickness_mm

    @property
    def frame_kg(self) -> float:
        """Everything but the head, as a builder weighs it."""
        return BARE_FRAME_KG + self.ballast_kg + self.panel_kg + CAMERA_KG

    @property
    def profile(self) -> wren.Profile:
        return wren.Profile(self.acceleration_m_s2, speed_m_s=0.4, travel_m=0.12, jerk_m_s3=1000.0)


SERIES = (
    Build("01-as-built", "Wren as built: 3 mm hardboard"),
    Build("02-ballast-6-kg", "6 kg of ballast low in the frame", ballast_kg=6.0),
    Build("03-ballast-12-kg", "12 kg of ballast low in the frame", ballast_kg=12.0),
    Build("04-gentle", "acceleration halved", acceleration_m_s2=4.0),
    Build("05-fast", "acceleration 12 m/s²", acceleration_m_s2=12.0),
    Build("06-hardboard-4-mm", "4 mm hardboard", thickness_mm=4.0),
    Build("07-aluminium-3-mm", "3 mm aluminium", sheet="aluminium", thickness_mm=3.0),
    Build("08-steel-3-mm", "3 mm steel", sheet="mild steel", thickness_mm=3.0),
    Build("09-steel-ballast", "3 mm steel and 12 kg of ballast", sheet="mild steel", thickness_mm=3.0, ballast_kg=12.0),
    Build(
        "10-steel-2-mm-fast",
        "2 mm steel, 6 kg of ballast, 10 m/s²: to be predicted before it is looked at",
        sheet="mild steel",
        thickness_mm=2.0,
        ballast_kg=6.0,
        acceleration_m_s2=10.0,
    ),
)


def rigid_rows(at_m: np.ndarray) -> np.ndarray:
    """Displacement of a point of the frame for u + θ × r, shape (3, 6)."""
    x, y, z = at_m
    return np.array([[1, 0, 0, 0, z, -y], [0, 1, 0, -z, 0, x], [0, 0, 1, y, -x, 0]], float)


def plate_rows(along: float, across: float) -> np.ndarray:
    """Rise, slope along and slope across at a place of the panel (both −1…1) for unit polynomials, shape (3, n²)."""
    value = [legendre.legvander(np.array([at]), N_SERIES - 1)[0] for at in (along, across)]
    slope = [
        np.array([legendre.legval(at, legendre.legder(np.eye(N_SERIES)[k])) for k in range(N_SERIES)])
        for at in (along, across)
    ]
    half = 0.5e-3 * SIDE_MM
    return np.array(
        [np.kron(value[0], value[1]), np.kron(slope[0], value[1]) / half, np.kron(value[0], slope[1]) / half]
    )


def plate_matrices(build: Build) -> tuple[np.ndarray, np.ndarray]:
    """Mass and stiffness of the free panel, Kirchhoff's energy by Gauss quadrature."""
    young, poisson, density, _ = SHEETS[build.sheet]
    half, h = 0.5e-3 * SIDE_MM, 1e-3 * build.thickness_mm
    points, weights = legendre.leggauss(N_SERIES + 1)
    eye = np.eye(N_SERIES)
    values = [
        np.array([legendre.legval(points, legendre.legder(row, order)) for row in eye]) / half**order
        for order in range(3)
    ]
    one = {(i, j): half * (values[i] * weights) @ values[j].T for i in range(3) for j in range(3)}
    rigidity = young * h**3 / (12 * (1 - poisson**2))
    mass = density * h * np.kron(one[0, 0], one[0, 0])
    cross = np.kron(one[2, 0], one[0, 2])
    bending = np.kron(one[2, 2], one[0, 0]) + np.kron(one[0, 0], one[2, 2]) + poisson * (cross + cross.T)
    return mass, rigidity * (bending + 2 * (1 - poisson) * np.kron(one[1, 1], one[1, 1]))


@dataclass(frozen=True)
class Assembly:
    """The whole machine: six motions of the frame, three of the head on its springs, amounts of the polynomials."""

    mass: np.ndarray
    parts: dict[str, np.ndarray]  # stiffness by what loses energy
    head: np.ndarray  # rows (3, n)
    camera: np.ndarray
    picture: np.ndarray  # of what the head holds, in the camera


def spread(rows: np.ndarray, first: int) -> np.ndarray:
    """Rows for coordinates from `first` on, as rows for all coordinates."""
    return np.pad(rows, ((0, 0), (first, 9 + N_SERIES**2 - first - rows.shape[1])))


def on_frame(at_mm: tuple[float, float, float]) -> np.ndarray:
    """Displacement of a point of the frame for all coordinates, shape (3, n)."""
    return spread(rigid_rows(1e-3 * np.array(at_mm)), 0)


def assemble(build: Build) -> Assembly:
    """Mass and stiffness of the machine of one run."""
    plate_mass, plate_stiffness = plate_matrices(build)
    size = 9 + N_SERIES**2
    mass, feet, support, sheet = np.zeros((4, size, size))
    mass[9:, 9:], sheet[9:, 9:] = plate_mass, plate_stiffness
    x, y, z = (1e-3 * side for side in FRAME_MM)
    mass[3:6, 3:6] += BARE_FRAME_KG / 12 * np.diag([y * y + z * z, x * x + z * z, x * x + y * y])
    on_springs = spread(np.eye(3), 6)
    head = on_frame(HEAD_MM) + on_springs
    camera_plate = plate_rows(*(2 * (CAMERA_MM[i] - CORNER_MM[i]) / SIDE_MM - 1 for i in (0, 1)))
    in_plane = on_frame((*CAMERA_MM, CORNER_MM[2]))[:2]  # the panel is stiff in its plane
    camera = np.vstack([in_plane, spread(camera_plate[:1], 9)])
    middle = on_frame((CORNER_MM[0] + SIDE_MM / 2, CORNER_MM[1] + SIDE_MM / 2, CORNER_MM[2]))[:2]
    turn = spread(np.eye(1), 5)
    bodies = [
        (BARE_FRAME_KG, on_frame(CENTRE_MM)),
        (build.ballast_kg, on_frame(BALLAST_MM)),
        (HEAD_KG, head),
        (CAMERA_KG, camera),
        (build.panel_kg, middle),
        (build.panel_kg * (1e-3 * SIDE_MM) ** 2 / 6, turn),
    ]
    for kg, rows in bodies:
        mass += kg * rows.T @ rows
    for at_mm in FEET_MM:
        rows = on_frame((*at_mm, 0.0))
        feet += rows.T @ (np.array(FOOT_N_PER_M)[:, None] * rows)
    for along in (-1, 1):
        for across in (-1, 1):
            corner = (CORNER_MM[0] + SIDE_MM * (along + 1) / 2, CORNER_MM[1] + SIDE_MM * (across + 1) / 2, CORNER_MM[2])
            stretch = spread(plate_rows(along, across)[:1], 9) - on_frame(corner)[2:]
            support += SUPPORT_N_PER_M * stretch.T @ stretch
    held = on_frame((*CAMERA_MM, CORNER_MM[2] + SIGHT_MM)) + on_springs
    sight = np.vstack([camera[:2] - 1e-3 * SIGHT_MM * spread(camera_plate[1:], 9), camera[2:]])
    mount = MOUNT_N_PER_M * on_springs.T @ on_springs
    parts = {"foot": feet, "support": support, "sheet": sheet, "mount": mount}
    return Assembly(mass, parts, head, camera, held - sight)


def machine_modes(build: Build) -> tuple[list[wren.Mode], list[wren.Mode]]:
    """Modes of one run, with the motion of the camera and with that of its picture."""
    machine = assemble(build)
    lower = np.linalg.cholesky(machine.mass)
    inverse = np.linalg.inv(lower)
    omega2, vectors = np.linalg.eigh(inverse @ sum(machine.parts.values()) @ inverse.T)
    shapes = inverse.T @ vectors
    loss = LOSS | {"sheet": SHEETS[build.sheet][3]}
    lost = sum(loss[part] * np.einsum("ir,ij,jr->r", shapes, k, shapes) for part, k in machine.parts.items())
    drive = HEAD_KG * (machine.head @ shapes)[0]
    kept = np.flatnonzero(np.sqrt(omega2) < 2 * math.pi * HIGHEST_HZ)
    seen = [
        [
            wren.Mode(
                name=f"mode {number + 1}",
                frequency_hz=float(np.sqrt(omega2[k])) / (2 * math.pi),
                damping_ratio=float(0.5 * lost[k] / omega2[k]),
                drive=float(drive[k]),
                shape_xyz=tuple((rows @ shapes)[:, k].tolist()),
            )
            for number, k in enumerate(kept)
        ]
        for rows in (machine.camera, machine.picture)
    ]
    return seen[0], seen[1]


def static_stiffness_n_per_m(build: Build) -> float:
    """Push on the camera against the frame, which is held."""
    machine = assemble(build)
    stiffness = sum(machine.parts.values())[9:, 9:]
    row = machine.camera[2, 9:]
    return float(1 / (row @ np.linalg.solve(stiffness, row)))


# --------------------------------------------------------------------------------------------------- the logs
SENSOR = wren.Sensor(nominal_rate_hz=800.0, clock_error=0.008, range_g=4.0, bits=13, stamp_jitter_s=0.0)
MOVES, REST_S, EXPOSURE_S = 8, 1.4, 0.016
WAITS_MS = (15.0, 40.0, 90.0, 60.0, 25.0, 120.0, 180.0, 70.0)
SIZE_PX = (88, 88)
MAGNIFICATION = 0.8
OBJECT_PIXEL_M = 1e-6 * wren.CAMERA["pixel_um"] / MAGNIFICATION


def log_text(motion: wren.Motion, t: np.ndarray, moving: np.ndarray, rng: np.random.Generator) -> str:
    """A log without time stamps: counts along three axes and a column that is 1 while the head moves."""
    counts = SENSOR.counts(motion.acceleration_m_s2, t, rng).astype(int)
    rows = (f"{x},{y},{z},{on}" for x, y, z, on in zip(*counts.tolist(), moving.tolist()))
    return "\n".join(["# Wren bench logger, raw counts, invented data", "ax,ay,az,moving", *rows]) + "\n"


def facts(build: Build) -> dict:
    """Content of run.toml but for the log."""
    base = wren.facts(build.title, "2025-04-02")
    base["run"]["notes"] = "Invented data from make_wren_series.py; the truth stands in ../truth.json."
    base["machine"] |= {
        "frame_mass_kg": round(build.frame_kg, 3),
        "frame_size_mm": FRAME_MM,
        "frame_centre_mm": CENTRE_MM,
        "feet_mm": FEET_MM,
        "head_at_mm": HEAD_MM,
    }
    if build.ballast_kg:
        base["machine"] |= {"ballast_kg": build.ballast_kg, "ballast_at_mm": BALLAST_MM}
    corners = [[CORNER_MM[0] + i * SIDE_MM, CORNER_MM[1] + j * SIDE_MM] for i in (0, 1) for j in (0, 1)]
    base["panel"] |= {
        "material": build.sheet,
        "thickness_mm": build.thickness_mm,
        "supports": "standing on its four corners, camera beside the middle",
        "corner_mm": CORNER_MM,
        "supports_mm": corners,
    }
    profile = build.profile
    base["move"] |= {
        "commanded_acceleration_m_s2": profile.acceleration_m_s2,
        "travel_mm": 1e3 * profile.travel_m,
        "speed_mm_s": 1e3 * profile.speed_m_s,
        "jerk_m_s3": profile.jerk_m_s3,
    }
    base["sensor"] |= {"range_g": SENSOR.range_g, "nominal_rate_hz": SENSOR.nominal_rate_hz}
    base["sensor"]["model"] = "three-axis MEMS, 13 bit"
    base["camera"] = base["camera"] | {
        "magnification": MAGNIFICATION,
        "exposure_ms": 1e3 * EXPOSURE_S,
        "at_mm": CAMERA_MM,
        "mass_g": 1e3 * CAMERA_KG,
        "sight_mm": SIGHT_MM,
        "target": "head",
    }
    return base


def make_run(build: Build, camera: pictures.Camera, folder: Path, rng: np.random.Generator) -> dict:
    """Write one run; give its truth."""
    folder.mkdir(parents=True, exist_ok=True)
    in_camera, in_picture = machine_modes(build)
    profile = build.profile
    moves = wren.draw_moves(tuple(in_camera), MOVES, 1.2 + rng.uniform(0, 0.1), REST_S, profile, rng)
    starts = np.array([move.start_s for move in moves])
    ends = starts + profile.duration_s
    t = np.arange(math.ceil((ends[-1] + REST_S) * SENSOR.true_rate_hz)) / SENSOR.true_rate_hz
    moving = (np.searchsorted(starts, t, side="right") - np.searchsorted(ends, t, side="right")).astype(int)
    wren.write_gz(folder / "moves.csv.gz", log_text(wren.simulate(moves, profile, t), t, moving, rng))
    entry = {
        "file": "moves.csv.gz",
        "quantity": "acceleration",
        "columns": ["ax", "ay", "az"],
        "units": "mg",
        "scale": 1e3 * SENSOR.lsb_g,
        "sample_rate_hz": SENSOR.true_rate_hz,
        "trigger_column": "moving",
    }
    text = wren.toml_text({**facts(build), "log": [entry]}, "make_wren_series.py")
    (folder / "run.toml").write_text(text, encoding="utf-8", newline="\n")
    frames = make_frames(build, moves, in_picture, camera, folder, rng)
    return {
        "frame_mass_kg": build.frame_kg,
        "push_stiffness_n_per_m": static_stiffness_n_per_m(build),
        "modes": [
            {
                "frequency_hz": mode.frequency_hz,
                "damping_ratio": mode.damping_ratio,
                "camera_per_drive": (mode.drive * np.array(mode.shape_xyz)).tolist(),
            }
            for mode in in_camera
        ],
        "frames": frames,
    }


def make_frames(
    build: Build,
    moves: list[wren.Move],
    in_picture: list[wren.Mode],
    camera: pictures.Camera,
    folder: Path,
    rng: np.random.Generator,
) -> list[dict]:
    """Write a sharp picture and one after each move; give the true blur."""
    shaped = [
        replace(
            move,
            modes=tuple(replace(mode, shape_xyz=seen.shape_xyz) for mode, seen in zip(move.modes, in_picture)),
        )
        for move in moves
    ]
    waits_s = 1e-3 * np.resize(WAITS_MS, MOVES)
    start = np.array([move.start_s for move in moves]) + build.profile.duration_s + waits_s
    times = start[:, None] + EXPOSURE_S * (pictures.MOMENTS + 1) / 2
    motion = wren.simulate(shaped, build.profile, times.ravel()).displacement_m
    moved = motion[:2].reshape(2, *times.shape) / OBJECT_PIXEL_M
    still = np.zeros(pictures.MOMENTS.size)
    iio.imwrite(folder / "sharp.png", camera.expose(still, still, SIZE_PX, rng))
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(["file", "move", "wait_ms", "exposure_ms"])
    truth = pictures.exposure_truth(moved)
    for k, wait in enumerate(waits_s.tolist()):
        name = f"after-move-{k + 1}.png"
        iio.imwrite(folder / name, camera.expose(*moved[:, k], SIZE_PX, rng))
        writer.writerow([name, k + 1, f"{1e3 * wait:g}", f"{1e3 * EXPOSURE_S:g}"])
    (folder / "frames.csv").write_text(table.getvalue(), encoding="utf-8", newline="\n")
    return [{name: float(values[k]) for name, values in truth.items()} for k in range(MOVES)]


# -------------------------------------------------------------------------------------------- the push tests
def push_text(stiffness_n_per_m: float, rng: np.random.Generator) -> str:
    """Weights laid on and taken off at the camera, read with a dial: 1 µm steps, some stiction."""
    load_n = np.array([0, 2, 4, 6, 8, 10, 8, 6, 4, 2, 0], float)
    loads = np.tile(load_n, 3)
    down = np.tile(np.arange(load_n.size) > 5, 3)
    true_um = 1e6 * loads / stiffness_n_per_m * (1 + 0.015 * down * (loads < 10))
    read_um = np.rint(true_um + rng.normal(0.0, 0.8, loads.size))
    rows = [f"{load:g},{reading:g}" for load, reading in zip(loads, read_um)]
    head = ["# Push on the camera against the frame, dial on the frame; invented data", "load [N],reading [um]"]
    return "\n".join([*head, *rows]) + "\n"


def make_series(folder: Path) -> None:
    """Write everything into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    camera = pictures.Camera(pictures.draw_tray(np.random.default_rng(2025)))
    runs = {}
    for number, build in enumerate(SERIES):
        runs[build.name] = make_run(build, camera, folder / build.name, np.random.default_rng([77, number]))
    for name, build in (("push-hardboard-3-mm", SERIES[0]), ("push-steel-3-mm", SERIES[7])):
        text = push_text(runs[build.name]["push_stiffness_n_per_m"], np.random.default_rng([78, len(name)]))
        (folder / f"{name}.csv").write_text(text, encoding="utf-8", newline="\n")
    truth = {
        "note": "Invented: what the generator put in. Blur: standard deviation of the picture within the exposure.",
        "foot_stiffness_x_n_per_m": FOOT_N_PER_M[0],
        "foot_stiffness_y_n_per_m": FOOT_N_PER_M[1],
        "foot_stiffness_z_n_per_m": FOOT_N_PER_M[2],
        "foot_loss_factor": LOSS["foot"],
        "support_stiffness_n_per_m": SUPPORT_N_PER_M,
        "support_loss_factor": LOSS["support"],
        "head_mount_stiffness_n_per_m": MOUNT_N_PER_M,
        "head_mount_loss_factor": LOSS["mount"],
        "sheets": {
            name: {"young_modulus_pa": e, "poisson_ratio": nu, "density_kg_m3": rho, "loss_factor": eta}
            for name, (e, nu, rho, eta) in SHEETS.items()
        },
        "object_pixel_m": OBJECT_PIXEL_M,
        "runs": runs,
    }
    (folder / "truth.json").write_text(json.dumps(wren.shortened(truth)) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Make the demo series of the Wren (invented data).")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent)
    target = parser.parse_args().folder / "wren-series"
    make_series(target)
    print(f"wrote {target}")
