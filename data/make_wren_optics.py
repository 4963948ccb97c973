"""Make demo pictures for the optics of the Wren: rolling shutter, focus, edge. Invented, known truth.

    python data/make_wren_optics.py [FOLDER]

writes `wren-optics` beside this file, or into FOLDER; the same pictures every time. Tray, lens and noise are those of
`make_wren_clips.py`. It shares no code with labkit, which is tested against the truth written here.

Rolling shutter: a fan shakes the camera steadily; each row is the tray's spectrum, turned by the displacement at the
row's own moments of exposure. Focus: the spectrum times the transfer of an even disc, 2·J1(πfc)/(πfc), whose diameter
grows with the distance from best focus as geometry says. Edge: a drawn edge at rest, and after a move of
`wren-hardboard`.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import imageio.v3 as iio
import make_wren_clips as clips
import make_wren_runs as wren
import numpy as np

ROLLING = {
    "file": "fan.mkv",
    "size_px": (96, 64),
    "frames": 32,
    "frame_rate_hz": 30,
    "row_us": 240.0,
    "exposure_ms": 2.0,
    "frequency_hz": 73.4,
    "amplitude_px": (0.35, 0.12),
    "phase_rad": (0.7, 2.1),
}
FOCUS = {"size_px": (80, 80), "step_um": 90.0, "pictures": 9, "best_um": 395.0, "pupil_magnification": 1.0}
EDGE = {"size_px": (84, 64), "run": "wren-hardboard", "move": 1, "wait_ms": 34.0, "exposure_ms": 12.0, "slope": 0.09}
DARK, BRIGHT = 55.0, 190.0


# ------------------------------------------------------------------------------------------- rolling shutter
def displacement_px(time_s: np.ndarray) -> np.ndarray:
    """Displacement along x and y at given times, shape (2, …)."""
    turn = 2 * np.pi * ROLLING["frequency_hz"] * time_s
    return np.stack([a * np.sin(turn + p) for a, p in zip(ROLLING["amplitude_px"], ROLLING["phase_rad"])])


def rolling_frame(camera: clips.Camera, start_s: float, rng: np.random.Generator) -> np.ndarray:
    """A frame whose first row begins to be exposed at the time given, and each further row a row time later."""
    height, width = ROLLING["size_px"]
    row_s, exposure_s = 1e-6 * ROLLING["row_us"], 1e-3 * ROLLING["exposure_ms"]
    moments = start_s + np.arange(height)[:, None] * row_s + exposure_s * (clips.MOMENTS + 1) / 2
    x, y = displacement_px(moments)  # rows × moments
    rows = np.arange(height) + (clips.SIDE_PX - height) // 2
    down = np.exp(2j * np.pi * (rows[:, None, None] - y[:, :, None]) * camera.frequency)
    along = np.exp(-2j * np.pi * x[:, :, None] * camera.frequency) * (clips.WEIGHTS / 2)[:, None]
    seen = np.einsum("rmf,rmf->rf", (down.reshape(-1, down.shape[2]) @ camera.spectrum).reshape(down.shape), along)
    folded = seen.reshape(height, clips.KEPT, clips.SIDE_PX).sum(axis=1)  # sampled once a pixel
    columns = np.arange(width) + (clips.SIDE_PX - width) // 2
    picture = np.fft.ifft(folded, axis=1).real[:, columns] / clips.SIDE_PX
    return eight_bit(picture, rng)


def eight_bit(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The picture with the noise of the camera, in whole grey levels."""
    return np.clip(np.rint(picture + clips.NOISE_GREY * rng.standard_normal(picture.shape)), 0, 255).astype(np.uint8)


def make_rolling(camera: clips.Camera, folder: Path, rng: np.random.Generator) -> dict:
    """Write the clip; give its truth."""
    starts = np.arange(ROLLING["frames"]) / ROLLING["frame_rate_hz"]
    frames = [rolling_frame(camera, start, rng) for start in starts]
    clips.write_video(folder / ROLLING["file"], frames, ROLLING["frame_rate_hz"])
    return ROLLING


# ----------------------------------------------------------------------------------------------------- focus
def disc_transfer(frequency: np.ndarray, diameter_px: float) -> np.ndarray:
    """2·J1(πfc)/(πfc), with J1 from Bessel's integral."""
    around = np.pi * np.hypot(frequency[:, None], frequency[None, :]) * diameter_px
    angle = (np.arange(64) + 0.5) / 64 * np.pi
    bessel = sum(np.cos(a - around * np.sin(a)) for a in angle) / 64
    return np.where(around > 1e-6, 2 * bessel / np.maximum(around, 1e-6), 1.0)


def make_focus(camera: clips.Camera, folder: Path, rng: np.random.Generator) -> dict:
    """Write the through-focus stack; give its truth."""
    (folder / "focus").mkdir(exist_ok=True)
    m, n, pupil = wren.CAMERA["magnification"], wren.CAMERA["f_number"], FOCUS["pupil_magnification"]
    disc_px_per_um = m**2 / (n * (1 + m / pupil)) / wren.CAMERA["pixel_um"]
    z_um = FOCUS["step_um"] * np.arange(FOCUS["pictures"])
    discs, still, sharp = (
        disc_px_per_um * np.abs(z_um - FOCUS["best_um"]),
        np.zeros(clips.MOMENTS.size),
        camera.spectrum,
    )
    for number, disc in enumerate(discs):
        camera.spectrum = sharp * disc_transfer(camera.frequency, disc)
        iio.imwrite(folder / "focus" / f"z{number}.png", camera.expose(still, still, FOCUS["size_px"], rng))
    camera.spectrum = sharp
    return {**FOCUS, "f_number": n, "magnification": m, "disc_px_per_um": disc_px_per_um, "disc_px": discs.tolist()}


# ------------------------------------------------------------------------------------------------------ edge
def draw_edge() -> np.ndarray:
    """Grey levels of one slanted edge, dark to bright, as fine as the tray."""
    n = clips.SIDE_PX * clips.FINE
    place = (np.arange(n) + 0.5 - n / 2) / clips.FINE  # from the middle [px]
    return np.where(place[None, :] - EDGE["slope"] * place[:, None] > 0, BRIGHT, DARK)


def make_edge(folder: Path, rng: np.random.Generator) -> dict:
    """Write the edge at rest and after a move; give its truth."""
    camera, shake, still = clips.Camera(draw_edge()), clips.Shake(EDGE["run"]), np.zeros(clips.MOMENTS.size)
    start_s = np.array([shake.ends_s[EDGE["move"]] + 1e-3 * EDGE["wait_ms"]])
    displacement = shake.exposures(start_s, 1e-3 * EDGE["exposure_ms"])
    iio.imwrite(folder / "edge-sharp.png", camera.expose(still, still, EDGE["size_px"], rng))
    iio.imwrite(folder / "edge-move.png", camera.expose(*displacement[:, 0], EDGE["size_px"], rng))
    return {**EDGE, **{name: float(one[0]) for name, one in clips.exposure_truth(displacement).items()}}


def make_optics(folder: Path) -> None:
    """Write everything into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(2026)
    camera = clips.Camera(clips.draw_tray(rng))
    truth = {
        "note": "Invented: what the generator put in.",
        "object_pixel_m": clips.OBJECT_PIXEL_M,
        "noise_grey": clips.NOISE_GREY,
        "rolling": make_rolling(camera, folder, rng),
        "focus": make_focus(camera, folder, rng),
        "edge": make_edge(folder, rng),
    }
    text = json.dumps(wren.shortened(truth))
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Make demo pictures for the optics of the Wren (invented data).")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent)
    target = parser.parse_args().folder / "wren-optics"
    make_optics(target)
    print(f"wrote {target}")
