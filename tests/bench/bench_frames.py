"""Frames a second of `track` against two general libraries, in one run on the same clip.

    python -m pytest tests/bench/bench_frames.py -o python_files='bench_*.py' -s

The clip is a real photograph (scikit-image's gravel, CC0), area-binned from whole-pixel shifts at full size, noise 2 of
255. The methods take turns and the best of several turns counts, so that other work on the machine hits all alike.
OpenCV is a yardstick of speed only.
"""

import time

import cv2
import numpy as np
import pytest
from skimage import data
from skimage.registration import phase_cross_correlation

from labkit.analyse.frames import track

N_FRAMES, N_SLOW, TURNS = 768, 12, 7


def make_clip(size, bin_px):
    rng = np.random.default_rng(3)
    photo = data.gravel().astype(np.float32)
    room = (512 - size * bin_px) // 2
    frames = np.empty((N_FRAMES, size, size), np.uint8)
    for i in range(N_FRAMES):
        dx, dy = (0, 0) if i == 0 else rng.integers(-min(6, room), min(6, room) + 1, 2)
        part = photo[room - dy :, room - dx :][: size * bin_px, : size * bin_px]
        binned = part.reshape(size, bin_px, size, bin_px).mean((1, 3))
        frames[i] = np.clip(np.rint(binned + 2 * rng.standard_normal(binned.shape)), 0, 255)
    return frames


def seconds_a_frame(run, count):
    start = time.perf_counter()
    run()
    return (time.perf_counter() - start) / count


@pytest.mark.parametrize(("size", "bin_px"), [(124, 4), (128, 3), (224, 2)])
def test_frames_a_second(size, bin_px):
    frames = make_clip(size, bin_px)
    as_float = frames.astype(np.float32)

    def opencv():
        for frame in as_float[1:97]:
            cv2.phaseCorrelate(as_float[0].copy(), frame.copy())

    def scikit_image():
        for frame in as_float[1 : 1 + N_SLOW]:
            phase_cross_correlation(as_float[0], frame, upsample_factor=100)

    best = {"track, all threads": np.inf, "track, one thread": np.inf, "opencv": np.inf, "scikit-image": np.inf}
    for _ in range(TURNS):
        turn = {
            "track, all threads": seconds_a_frame(lambda: track(frames, frame_rate_hz=100.0), N_FRAMES),
            "opencv": seconds_a_frame(opencv, 96),
            "track, one thread": seconds_a_frame(lambda: track(frames, frame_rate_hz=100.0, workers=1), N_FRAMES),
            "scikit-image": seconds_a_frame(scikit_image, N_SLOW),
        }
        best = {name: min(best[name], turn[name]) for name in best}
    print(f"\n{size}×{size} px:", ", ".join(f"{name} {1 / value:.0f}/s" for name, value in best.items()))
    for name in ("track, all threads", "track, one thread"):
        over = ", ".join(f"{best[other] / best[name]:.2f} × {other}" for other in ("scikit-image", "opencv"))
        print(f"    {name}: {over}")
