"""Marks of lossy compression: found where a clip was compressed and stored again without loss, not found elsewhere."""

import av
import numpy as np
import pytest
from skimage import data

from labkit.analyse.compression import compression_signs
from labkit.analyse.frames import track
from labkit.runs.clipfiles import open_clip
from labkit.runs.clips import Clip

PHOTOS = ("gravel", "camera", "brick", "grass")


def frames_of(name, amplitude_px, *, noise=2.0, size=160, count=12):
    """A photograph of scikit-image, area-binned 3×3, moved by whole thirds of a pixel, with noise."""
    photo, rng = getattr(data, name)().astype(float), np.random.default_rng(0)
    room, steps = (512 - 3 * size) // 2, np.rint(3 * amplitude_px * np.sin(np.arange(count)))
    cut = [photo[room:, room - int(dx) :][: 3 * size, : 3 * size] for dx in steps]
    binned = np.stack([part.reshape(size, 3, size, 3).mean((1, 3)) for part in cut])
    return np.clip(np.rint(binned + rng.normal(0, noise, binned.shape)), 0, 255).astype(np.uint8), steps / 3


def compressed(path, frames, codec, options):
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=50, options=options)
        stream.height, stream.width = frames.shape[1:]
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        for pixels in frames:
            container.mux(
                stream.encode(av.VideoFrame.from_ndarray(pixels, format="gray").reformat(format=stream.pix_fmt))
            )
        container.mux(stream.encode())
    return np.stack([frame.pixels for frame in open_clip(path)])


@pytest.mark.parametrize("name", PHOTOS)
@pytest.mark.parametrize("amplitude_px", [0.0, 1.0])
@pytest.mark.parametrize("noise", [0.7, 2.0, 5.0])
def test_uncompressed_clips_show_none(name, amplitude_px, noise):
    signs = compression_signs(frames_of(name, amplitude_px, noise=noise)[0], white_level=255)
    assert not signs.found and signs.words == ""
    assert signs.frozen_share < 1e-3 and signs.grid_score < 4.5


@pytest.mark.parametrize("name", PHOTOS)
@pytest.mark.parametrize(
    ("codec", "options", "amplitude_px"),
    [
        ("libx264", {"crf": "18"}, 0.0),
        ("libx264", {"crf": "18"}, 0.34),
        ("mjpeg", {"qmin": "8", "qmax": "8"}, 0.0),
        ("mjpeg", {"qmin": "8", "qmax": "8"}, 1.0),
    ],
)
def test_compressed_clips_stored_again_are_recognised(tmp_path, name, codec, options, amplitude_px):
    suffix = "avi" if codec == "mjpeg" else "mp4"
    frames = compressed(tmp_path / f"a.{suffix}", frames_of(name, amplitude_px)[0], codec, options)
    signs = compression_signs(frames[:10], white_level=255)
    assert signs.found and "compressed with loss" in signs.words
    result = track(Clip.from_array(frames, frame_rate_hz=50.0))
    assert result.lossy is True and signs.words in result.notes
    assert (result.floor_px >= 0.08).all()


@pytest.mark.parametrize("name", PHOTOS)
def test_what_compression_does_to_standing_still(tmp_path, name):
    """H.264 freezes a still scene but for jumps: no motion may be stated from them."""
    frames, _ = frames_of(name, 0.0, count=40)
    compressed(tmp_path / "a.mp4", frames, "libx264", {"crf": "18"})
    result = track(open_clip(tmp_path / "a.mp4"))
    assert result.lossy and not result.moving
    assert any("record without loss" in note for note in result.notes)


def test_compression_falsifies_small_motion(tmp_path):
    """The reason for all this: the same clip, lossless and through H.264."""
    frames, truth = frames_of("gravel", 0.34, count=40)
    compressed(tmp_path / "a.mp4", frames, "libx264", {"crf": "23"})
    straight = track(frames, frame_rate_hz=50.0).shift_px[0] - truth
    through = track(open_clip(tmp_path / "a.mp4")).shift_px[0] - truth
    assert straight.std() < 0.003
    assert through.std() > 3 * straight.std()


def test_little_to_look_at_gives_no_finding():
    assert not compression_signs(np.zeros((1, 64, 64))).found
    dark = compression_signs(np.zeros((5, 64, 64)), white_level=255)
    assert not dark.found and np.isnan(dark.frozen_share)
