"""Make the demo pictures of the Wren: an invented camera looking at an invented tray, known truth.

    python data/make_wren_clips.py [FOLDER]

writes `wren-clips` beside this file, or into FOLDER; the same pictures every time. The camera shakes as the demo runs
say: the motion comes from `make_wren_runs.py`, so the clip and the frames belong to the very moves in those logs. It
shares no code with labkit, which is tested against the truth written here.

Drawing: the tray (seats on a square grid, two of them with a jewel, brushed metal between) is drawn eight times finer
than a pixel and kept as a spectrum. A frame is that spectrum times the transfer of lens and pixel, times the mean over
the exposure of the phase that the displacement at each moment gives, sampled once a pixel; then come noise and eight
bits. Image x lies along machine x, y along y; what the camera moves by is what the picture moves by, in object pixels.
Defocus is left out.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
from fractions import Fraction
from pathlib import Path

import av
import imageio.v3 as iio
import make_wren_runs as wren
import numpy as np

SIDE_PX = 160  # of the drawn tray, which repeats beyond; frames are cut from its middle
FINE = 8  # drawing: points a pixel along each side
KEPT = 2  # spectrum: up to twice the sampling frequency of half a pixel
PITCH_PX = 12.5  # of the seats
OBJECT_PIXEL_M = 1e-6 * wren.CAMERA["pixel_um"] / wren.CAMERA["magnification"]
LENS_SIGMA_PX = 0.45
NOISE_GREY = 1.2
MOMENTS, WEIGHTS = np.polynomial.legendre.leggauss(12)  # moments of an exposure

CLIP = {
    "file": "hardboard-ring-down.mkv",
    "run": "wren-hardboard",
    "moves": 3,
    "size_px": (48, 64),
    "frame_rate_hz": 100,
    "exposure_ms": 8.0,
    "before_s": 0.3,
    "after_s": 1.4,
}
FRAMES = {"size_px": (112, 112), "exposure_ms": 12.0, "waits_ms": [20.0, 150.0, 60.0, 320.0, 100.0, 40.0, 220.0]}
FRAME_RUNS = ("wren-hardboard", "wren-foot")  # of each run the moves of its first log


# ------------------------------------------------------------------------------------------------- the tray
def draw_tray(rng: np.random.Generator) -> np.ndarray:
    """Grey levels of the tray, `FINE` points a pixel."""
    n, count = SIDE_PX * FINE, round(SIDE_PX / PITCH_PX)
    pitch = n / count  # a whole number of seats, so that the tray repeats without a seam
    place = (np.arange(n) + 0.5) % pitch - pitch / 2
    away_px = np.hypot(place[:, None], place[None, :]) / FINE
    tray = 128 + brushed(n, rng)
    tray = np.where(away_px < 4.4, 150.0, tray)
    tray = np.where(away_px < 3.6, 58.0, tray)
    for row, column in ((5, 6), (7, 5)):  # seats with a jewel: bright, with a hole
        cell = np.ix_(*(np.arange(round(i * pitch), round((i + 1) * pitch)) for i in (row, column)))
        near = away_px[cell]
        tray[cell] = np.where(near < 1.1, 70.0, np.where(near < 2.8, 205.0, tray[cell]))
    return tray


def brushed(n: int, rng: np.random.Generator) -> np.ndarray:
    """Brushed metal: noise, smooth over about a pixel, longer along x than along y."""
    fy, fx = np.fft.fftfreq(n)[:, None] * FINE, np.fft.rfftfreq(n)[None, :] * FINE
    shape = np.exp(-2 * np.pi**2 * ((1.2 * fx) ** 2 + (0.8 * fy) ** 2))
    grain = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((n, n))) * shape, (n, n))
    return 12 * grain / grain.std()


class Camera:
    """Spectrum of the tray behind lens and pixel, ready to be exposed."""

    def __init__(self, tray: np.ndarray) -> None:
        n, keep = SIDE_PX * FINE, SIDE_PX * KEPT
        middle = np.arange(-keep // 2, keep // 2)
        self.frequency = middle / SIDE_PX  # cycles a pixel
        spectrum = np.fft.fft2(tray)[np.ix_(middle, middle)] / n**2 * SIDE_PX**2
        along = np.exp(-2 * np.pi**2 * (LENS_SIGMA_PX * self.frequency) ** 2) * np.sinc(self.frequency)
        self.spectrum = spectrum * np.outer(along, along)

    def expose(
        self, x_px: np.ndarray, y_px: np.ndarray, size_px: tuple[int, int], rng: np.random.Generator
    ) -> np.ndarray:
        """Eight-bit frame while the picture stands at (x, y) at the moments of the exposure."""
        phase_x, phase_y = (np.exp(-2j * np.pi * np.outer(at, self.frequency)) for at in (x_px, y_px))
        seen = self.spectrum * (phase_y.T @ (phase_x * (WEIGHTS / 2)[:, None]))
        folded = seen.reshape(KEPT, SIDE_PX, KEPT, SIDE_PX).sum(axis=(0, 2))  # sampled once a pixel
        rows, columns = (np.arange((SIDE_PX - size) // 2, (SIDE_PX + size) // 2) for size in size_px)
        picture = np.fft.ifft2(folded).real[np.ix_(rows, columns)]
        return np.clip(np.rint(picture + NOISE_GREY * rng.standard_normal(picture.shape)), 0, 255).astype(np.uint8)


# ----------------------------------------------------------------------------------------------- the motion
class Shake:
    """Displacement of the picture during the first log of a demo run."""

    def __init__(self, run: str) -> None:
        setup = next(one for one in wren.SETUPS if one.name == run)
        rng, self.profile = np.random.default_rng(setup.seed), wren.Profile()
        first_s, self.uptime_s, self.log = 1.5 + rng.uniform(0, 0.2), setup.uptime_s, setup.logs[0][0]
        self.moves = wren.draw_moves(setup.modes, setup.logs[0][1], first_s, setup.rest_s, self.profile, rng)
        self.ends_s = [move.start_s + self.profile.duration_s for move in self.moves]

    def exposures(self, start_s: np.ndarray, exposure_s: float) -> np.ndarray:
        """Displacement [px] along x and y at the moments of each exposure, shape (2, exposures, moments)."""
        times = start_s[:, None] + exposure_s * (MOMENTS + 1) / 2
        order = np.argsort(times, axis=None)
        motion = wren.simulate(self.moves, self.profile, times.ravel()[order])
        result = np.empty((2, times.size))
        result[:, order] = motion.displacement_m[:2] / OBJECT_PIXEL_M
        return result.reshape(2, *times.shape)


def exposure_truth(displacement_px: np.ndarray) -> dict[str, np.ndarray]:
    """Mean displacement within each exposure and its standard deviation, which is the blur."""
    mean = (displacement_px * WEIGHTS / 2).sum(axis=-1)
    spread = ((displacement_px - mean[..., None]) ** 2 * WEIGHTS / 2).sum(axis=-1)
    names = ("x_px", "y_px", "sigma_x_px", "sigma_y_px")
    return dict(zip(names, (*mean, *np.sqrt(spread))))


# ------------------------------------------------------------------------------------------------- the files
def make_clip(camera: Camera, folder: Path, rng: np.random.Generator) -> dict:
    """Write the clip; give its truth."""
    shake, last = Shake(CLIP["run"]), CLIP["moves"] - 1
    start = shake.moves[0].start_s - CLIP["before_s"]
    count = round((shake.ends_s[last] + CLIP["after_s"] - start) * CLIP["frame_rate_hz"])
    times = np.arange(count) / CLIP["frame_rate_hz"]
    displacement = shake.exposures(start + times, 1e-3 * CLIP["exposure_ms"])
    frames = [camera.expose(*displacement[:, i], CLIP["size_px"], rng) for i in range(count)]
    write_video(folder / CLIP["file"], frames, CLIP["frame_rate_hz"])
    return {
        **CLIP,
        "first_exposure_in_log_s": shake.uptime_s + start,
        "move_ends_s": [end - start for end in shake.ends_s[: last + 1]],
        "modes": [{"name": m.name, "frequency_hz": m.frequency_hz} for m in shake.moves[0].modes],
        **{name: values.tolist() for name, values in exposure_truth(displacement).items()},
    }


def write_video(path: Path, frames: list[np.ndarray], rate_hz: int) -> None:
    """Frames as a video that loses nothing (FFV1)."""
    with av.open(str(path), "w", options={"fflags": "+bitexact"}) as container:
        coding = {"level": "3", "coder": "1", "slices": "4"}
        stream = container.add_stream("ffv1", rate=Fraction(rate_hz), options=coding)
        stream.height, stream.width, stream.pix_fmt = *frames[0].shape, "gray"
        stream.codec_context.gop_size = 100  # statistics of the code are kept that long, which saves half
        stream.codec_context.flags |= av.codec.context.Flags.bitexact
        for frame in frames:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="gray")))
        container.mux(stream.encode())


def make_frames(camera: Camera, folder: Path, run: str, rng: np.random.Generator) -> tuple[list[dict], list[dict]]:
    """Write one frame a move and a sharp one; give what the builder knows of them and their truth."""
    shake, place = Shake(run), folder / run.removeprefix("wren-")
    place.mkdir(exist_ok=True)
    exposure_s, still = 1e-3 * FRAMES["exposure_ms"], np.zeros(MOMENTS.size)
    iio.imwrite(place / "sharp.png", camera.expose(still, still, FRAMES["size_px"], rng))
    waits_ms = np.resize(FRAMES["waits_ms"], len(shake.moves))
    displacement = shake.exposures(np.array(shake.ends_s) + 1e-3 * waits_ms, exposure_s)
    truth, known, trues = exposure_truth(displacement), [], []
    for k, wait in enumerate(waits_ms.tolist()):
        file = f"{place.name}/move-{k + 1:02d}.png"
        iio.imwrite(folder / file, camera.expose(*displacement[:, k], FRAMES["size_px"], rng))
        known.append(
            {
                "file": file,
                "run": run,
                "log": shake.log,
                "move_end_s": round(shake.uptime_s + shake.ends_s[k], 4),
                "wait_ms": wait,
                "exposure_ms": FRAMES["exposure_ms"],
            }
        )
        trues.append({"file": file, **{name: float(values[k]) for name, values in truth.items()}})
    return known, trues


def make_clips(folder: Path) -> None:
    """Write everything into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(2025)
    camera = Camera(draw_tray(rng))
    clip = make_clip(camera, folder, rng)
    known, frames = [], []
    for run in FRAME_RUNS:
        facts, truths = make_frames(camera, folder, run, rng)
        known += facts
        frames += truths
    table = io.StringIO()
    writer = csv.DictWriter(table, known[0], lineterminator="\n")
    writer.writeheader()
    writer.writerows(known)
    (folder / "frames.csv").write_text(table.getvalue(), encoding="utf-8", newline="\n")
    truth = {
        "note": "Invented: what the generator put in. Displacements of the picture are means over the exposure.",
        "object_pixel_m": OBJECT_PIXEL_M,
        "seat_pitch_m": OBJECT_PIXEL_M * SIDE_PX / round(SIDE_PX / PITCH_PX),
        "noise_grey": NOISE_GREY,
        "clip": clip,
        "frames": frames,
    }
    text = json.dumps(wren.shortened(truth))
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Make the demo pictures of the Wren (invented data).")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent)
    target = parser.parse_args().folder / "wren-clips"
    make_clips(target)
    print(f"wrote {target}")
