"""Clips: every way in gives the same frames and times; damage is named by its frame, and nothing before it is lost."""

from fractions import Fraction

import av
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from PIL import Image

from labkit.base import LogFormatError
from labkit.runs import video
from labkit.runs.clipfiles import open_clip, picture_files
from labkit.runs.clips import Clip, ClipDamaged, Region
from labkit.runs.pictures import read_picture


@pytest.fixture(scope="module")
def frames():
    """Twelve frames of a smooth random scene that moves by whole pixels."""
    rng = np.random.default_rng(4)
    scene = np.kron(rng.integers(20, 230, (20, 24)), np.ones((4, 4)))
    moved = np.stack([scene[4:68, i : i + 80] for i in range(12)])
    return (moved + rng.normal(0, 2, moved.shape)).clip(0, 255).astype(np.uint8)


def write_video(path, frames, *, codec, pixel_format, pts=None, rate=50, options=None):
    """Write with PyAV; pts are in milliseconds when given."""
    base = Fraction(1, 1000) if pts is not None else Fraction(1, rate)
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        stream.height, stream.width = frames.shape[1:3]
        stream.pix_fmt = pixel_format
        stream.codec_context.time_base = base
        for i, pixels in enumerate(frames):
            kind = {1: "gray", 2: "gray16le"}[pixels.dtype.itemsize]
            frame = av.VideoFrame.from_ndarray(pixels, format=kind)
            frame = frame if kind == pixel_format else frame.reformat(format=pixel_format)
            frame.pts, frame.time_base = (i if pts is None else pts[i]), base
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def read(clip):
    """All frames, and the damage that ended the walk."""
    found = []
    try:
        for frame in clip:
            found.append(frame)
    except ClipDamaged as damage:
        return found, damage
    return found, None


def packet_places(path):
    """First and last byte of each packet of a video file."""
    with av.open(str(path)) as container:
        return [(p.pos, p.pos + p.size) for p in container.demux(video=0) if p.size]


# -------------------------------------------------------------------------------------------- every way in
@pytest.mark.parametrize(
    ("name", "codec", "pixel_format"),
    [("a.mkv", "ffv1", "gray"), ("a.avi", "rawvideo", "gray"), ("a.mov", "png", "gray"), ("b.mkv", "ffv1", "bgr0")],
)
def test_lossless_video_gives_the_frames_back(tmp_path, frames, name, codec, pixel_format):
    clip = open_clip(write_video(tmp_path / name, frames, codec=codec, pixel_format=pixel_format))
    found, damage = read(clip)
    assert damage is None and clip.lossy is False
    tolerance = 1 if pixel_format == "bgr0" else 0  # grey from equal colours may round
    for frame, pixels in zip(found, frames, strict=True):
        np.testing.assert_allclose(frame.pixels.astype(int), pixels, atol=tolerance)
    np.testing.assert_allclose([frame.time_s for frame in found], np.arange(12) / 50, atol=1e-9)
    assert clip.white_level == 255


def test_sixteen_bits_stay(tmp_path, frames):
    deep = frames.astype(np.uint16) * 257
    clip = open_clip(write_video(tmp_path / "d.mkv", deep, codec="ffv1", pixel_format="gray16le"))
    found, _ = read(clip)
    assert clip.white_level == 65535 and found[3].pixels.dtype == np.uint16
    np.testing.assert_array_equal(found[3].pixels, deep[3])


def test_white_level_of_the_limited_range(tmp_path, frames):
    white = np.full_like(frames, 255)
    clip = open_clip(write_video(tmp_path / "w.mkv", white, codec="ffv1", pixel_format="yuv420p"))
    assert clip.white_level == 235
    assert next(iter(clip)).pixels.min() >= 235


@pytest.mark.parametrize(
    ("name", "codec", "pixel_format", "between"),
    [("a.mp4", "libx264", "yuv420p", True), ("a.avi", "mjpeg", "yuvj420p", False)],
)
def test_lossy_video_says_so(tmp_path, frames, name, codec, pixel_format, between):
    clip = open_clip(write_video(tmp_path / name, frames, codec=codec, pixel_format=pixel_format))
    assert clip.lossy is True and clip.between_frames is between
    assert any("throws detail away" in note for note in clip.notes)
    assert len(read(clip)[0]) == 12


def test_variable_frame_rate_is_kept(tmp_path, frames):
    pts = [0, 20, 45, 60, 80, 107, 120, 140, 160, 185, 200, 220]
    clip = open_clip(write_video(tmp_path / "v.mkv", frames, codec="ffv1", pixel_format="gray", pts=pts))
    assert [round(1000 * frame.time_s) for frame in clip] == pts


def test_given_times_replace_those_of_the_file(tmp_path, frames):
    path = write_video(tmp_path / "a.mkv", frames, codec="ffv1", pixel_format="gray")
    assert [f.time_s for f in open_clip(path, frame_rate_hz=100.0)][:3] == [0.0, 0.01, 0.02]
    times = np.linspace(5, 6, 12)
    np.testing.assert_array_equal([f.time_s for f in open_clip(path, time_s=times)], times)
    with pytest.raises(ValueError, match=r"time_s has 3 times but .* holds more frames"):
        list(open_clip(path, time_s=[0, 1, 2]))


CLIPS = (("pictures", 1), ("stack.tif", 1), ("lzw.tif", 1), ("deflated.tif", 1), ("deep.tif", 16), ("array.npy", 1))


def test_folder_stack_and_array(tmp_path, frames):
    folder = tmp_path / "pictures"
    folder.mkdir()
    for i, pixels in enumerate(frames):
        iio.imwrite(folder / f"frame{i + 1}.png", pixels)  # frame10 must come after frame9
    iio.imwrite(tmp_path / "stack.tif", frames)
    iio.imwrite(tmp_path / "deep.tif", frames.astype(np.uint16) * 16)
    pages = [Image.fromarray(pixels) for pixels in frames]
    pages[0].save(tmp_path / "lzw.tif", save_all=True, append_images=pages[1:], compression="tiff_lzw")
    tifffile.imwrite(tmp_path / "deflated.tif", frames, compression="zlib")
    np.save(tmp_path / "array.npy", frames)
    for name, factor in CLIPS:
        clip = open_clip(tmp_path / name, frame_rate_hz=200.0)
        assert (clip.n_frames, clip.height, clip.width) == (12, 64, 80)
        found, damage = read(clip)
        assert damage is None
        np.testing.assert_array_equal(np.stack([f.pixels for f in found]), frames.astype(int) * factor)
        assert found[-1].time_s == pytest.approx(11 / 200)
        with pytest.raises(ValueError, match="carries no frame times; give the frame rate"):
            open_clip(tmp_path / name)


def test_colour_pictures_become_grey(tmp_path):
    colour = np.zeros((2, 40, 40, 3), np.uint8)
    colour[..., 1] = 100
    np.save(tmp_path / "c.npy", colour)
    pixels = next(iter(open_clip(tmp_path / "c.npy", frame_rate_hz=1.0))).pixels
    assert pixels.shape == (40, 40) and pixels[0, 0] == pytest.approx(58.7)


def test_a_clip_can_be_walked_again_and_cut(tmp_path, frames):
    clip = open_clip(write_video(tmp_path / "a.mkv", frames, codec="ffv1", pixel_format="gray"))
    part = clip.cut(Region(top=10, left=20, height=30, width=40)).cut(Region(top=1, left=2, height=8, width=9))
    for _ in range(2):
        np.testing.assert_array_equal(next(iter(part)).pixels, frames[0, 11:19, 22:31])
    with pytest.raises(ValueError, match="reaches out of the 80×64 px frame"):
        clip.cut(Region(top=40, left=0, height=30, width=10))


def test_frames_that_can_come_only_once(frames):
    clip = Clip.from_iterable((f for f in frames), frame_rate_hz=10.0)
    assert next(iter(clip)).pixels.shape == (64, 80)  # a look at the first frame costs nothing
    assert len(list(clip)) == 12
    with pytest.raises(ValueError, match="walked through only once"):
        list(clip)


# -------------------------------------------------------------------------------------------------- damage
@pytest.mark.parametrize(("name", "codec"), [("a.mkv", "ffv1"), ("a.avi", "rawvideo"), ("b.avi", "mjpeg")])
@pytest.mark.parametrize("share", [0.5, 0.9])
def test_a_file_cut_short_keeps_what_is_whole(tmp_path, frames, name, codec, share):
    whole = write_video(tmp_path / name, frames, codec=codec, pixel_format="yuvj420p" if codec == "mjpeg" else "gray")
    reference = [f.pixels for f in open_clip(whole)]
    cut = tmp_path / f"cut_{name}"
    cut.write_bytes(whole.read_bytes()[: int(share * whole.stat().st_size)])
    found, damage = read(open_clip(cut))
    assert damage is not None and damage.frame_number == len(found) and f"frame {len(found)}" in str(damage)
    assert len(found) == sum(end <= cut.stat().st_size for _, end in packet_places(whole))
    for frame, pixels in zip(found, reference):
        np.testing.assert_array_equal(frame.pixels, pixels)


@pytest.mark.parametrize(
    ("name", "codec", "pixel_format", "options"),
    [
        ("a.mkv", "ffv1", "gray", {"level": "3", "slicecrc": "1"}),
        ("a.mov", "png", "gray", {}),
        ("a.mp4", "libx264", "yuv420p", {"crf": "1"}),
    ],
)
@pytest.mark.parametrize("share", [0.4, 0.7])
def test_overwritten_bytes_end_the_clip_at_their_frame(tmp_path, frames, name, codec, pixel_format, options, share):
    whole = write_video(tmp_path / name, frames, codec=codec, pixel_format=pixel_format, options=options)
    reference = [f.pixels for f in open_clip(whole)]
    data = bytearray(whole.read_bytes())
    at = int(share * len(data))
    data[at : at + 300] = np.random.default_rng(0).bytes(300)
    bad = tmp_path / f"bad_{name}"
    bad.write_bytes(data)
    found, damage = read(open_clip(bad))
    assert damage is not None and damage.frame_number == len(found) < 12
    sound = sum(end <= at for _, end in packet_places(whole))  # packets that were not touched
    if codec == "libx264":  # stored out of order, without checksums: some damage shows only a few frames on
        sound -= 2
    else:
        assert len(found) == sound
    assert len(found) >= sound
    for frame, pixels in zip(found[:sound], reference):
        np.testing.assert_array_equal(frame.pixels, pixels)


def test_unfinished_recordings_and_wrong_files(tmp_path, frames):
    whole = write_video(tmp_path / "a.mp4", frames, codec="libx264", pixel_format="yuv420p")
    (tmp_path / "open.mp4").write_bytes(whole.read_bytes()[:-600])
    with pytest.raises(LogFormatError, match="Cure"):
        open_clip(tmp_path / "open.mp4")
    (tmp_path / "text.avi").write_text("not a video")
    with pytest.raises(LogFormatError, match=r"text.avi: found a file that cannot be opened"):
        open_clip(tmp_path / "text.avi")
    (tmp_path / "empty").mkdir()
    with pytest.raises(LogFormatError, match="no pictures"):
        open_clip(tmp_path / "empty", frame_rate_hz=1.0)
    iio.imwrite(tmp_path / "one.png", frames[0])
    with pytest.raises(LogFormatError, match="a single picture"):
        open_clip(tmp_path / "one.png", frame_rate_hz=1.0)
    with pytest.raises(FileNotFoundError, match="check the path"):
        open_clip(tmp_path / "nowhere.avi")


def test_a_bad_picture_in_a_folder_is_named(tmp_path, frames):
    for i, pixels in enumerate(frames[:4]):
        iio.imwrite(tmp_path / f"f{i}.png", pixels)
    (tmp_path / "f2.png").write_bytes((tmp_path / "f2.png").read_bytes()[:200])
    found, damage = read(open_clip(tmp_path, frame_rate_hz=10.0))
    assert len(found) == 2 and damage.frame_number == 2 and "f2.png" in str(damage)
    iio.imwrite(tmp_path / "f2.png", frames[2][:50])
    found, damage = read(open_clip(tmp_path, frame_rate_hz=10.0))
    assert len(found) == 2 and "80×50 px" in str(damage)


def test_a_stack_cut_short(tmp_path, frames):
    whole = tmp_path / "s.tif"
    iio.imwrite(whole, frames)
    (tmp_path / "cut.tif").write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    try:
        clip = open_clip(tmp_path / "cut.tif", frame_rate_hz=10.0)
    except LogFormatError:
        return  # nothing of it can be read, and that is said
    found, damage = read(clip)
    assert damage is not None
    for frame, pixels in zip(found, frames):
        np.testing.assert_array_equal(frame.pixels, pixels)


# ------------------------------------------------------------------------------------- what a file says of itself
def test_frames_behind_a_bad_packet_keep_their_times(tmp_path, frames):
    """The decoder gives the frames that it still holds without a time base; their times must not become nan."""
    many = np.concatenate([frames] * 4)
    path = write_video(
        tmp_path / "b.mp4", many, codec="libx264", pixel_format="yuv420p", options={"bf": "2", "crf": "12"}
    )
    places, data = packet_places(path), bytearray(path.read_bytes())
    first, last = places[8]
    data[first + 8 : last] = bytes(last - first - 8)
    path.write_bytes(data)
    found, damage = read(open_clip(path))
    assert damage is not None and len(found) >= 4
    np.testing.assert_allclose([frame.time_s for frame in found], np.arange(len(found)) / 50, atol=1e-9)


def test_interlaced_frames_are_named(tmp_path, frames):
    path = tmp_path / "i.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg2video", rate=25, options={"flags": "+ilme+ildct", "qscale": "2"})
        stream.height, stream.width, stream.pix_fmt = 64, 80, "yuv420p"
        for pixels in frames:
            frame = av.VideoFrame.from_ndarray(pixels, format="gray").reformat(format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    assert any("interlaced" in note for note in open_clip(path).notes)
    plain = open_clip(write_video(tmp_path / "p.mkv", frames, codec="mpeg2video", pixel_format="yuv420p", rate=25))
    assert not any("interlaced" in note for note in plain.notes)


def test_a_picture_that_players_turn_is_named(tmp_path, frames):
    path = write_video(tmp_path / "t.mov", frames, codec="mjpeg", pixel_format="yuvj420p")
    assert not any("turn the picture" in note for note in open_clip(path).notes)
    turned, data = bytearray(path.read_bytes()), path.read_bytes()
    track = data.index(b"tkhd") + 4 + 40  # version and flags 4, times to volume 36: then the 3 × 3 matrix
    assert data[track : track + 4] == (1 << 16).to_bytes(4, "big")
    for place, value in zip(range(0, 20, 4), (0, 1 << 16, 0, -(1 << 16), 0)):
        turned[track + place : track + place + 4] = value.to_bytes(4, "big", signed=True)
    path.write_bytes(turned)
    clip = open_clip(path)
    assert any("turn the picture by 90°" in note for note in clip.notes) and (clip.height, clip.width) == (64, 80)


def test_a_first_frame_that_cannot_be_decoded_is_no_damage_further_on(tmp_path, frames):
    path = write_video(tmp_path / "f.mkv", frames, codec="libx264", pixel_format="yuv420p")
    places, data = packet_places(path), bytearray(path.read_bytes())
    for first, last in places:
        data[first:last] = bytes(last - first)
    path.write_bytes(data)
    with pytest.raises(LogFormatError, match=r"f\.mkv: found a first frame that cannot be decoded"):
        open_clip(path)


def test_h264_without_loss_is_known(tmp_path, frames):
    """qp 0: the profile tells, and the frames are the frames."""
    common = {"codec": "libx264", "pixel_format": "yuv420p"}
    whole = open_clip(write_video(tmp_path / "whole.mkv", frames, options={"qp": "0"}, **common))
    assert whole.lossy is False and not whole.between_frames and not whole.notes
    plane = av.VideoFrame.from_ndarray(frames[5], format="gray").reformat(format="yuv420p").to_ndarray()[:64]
    np.testing.assert_array_equal(read(whole)[0][5].pixels, plane)
    assert open_clip(write_video(tmp_path / "lossy.mkv", frames, options={"qp": "12"}, **common)).lossy is True


@pytest.mark.parametrize(
    ("kind", "white"), [("p010le", 65535), ("yuyv422", 255), ("rgb24", 255), ("gbrp12le", 65535), ("yuv420p10le", 940)]
)
def test_white_is_white_in_every_kind_of_picture(tmp_path, kind, white):
    """Levels and white level agree, whichever way the brightness is stored: a ramp of grey keeps its shape."""
    ramp = np.tile(np.linspace(0, 65535, 80).astype(np.uint16), (64, 1))
    frame = av.VideoFrame.from_ndarray(ramp, format="gray16le").reformat(format=kind)
    assert video._white_level(frame) == white
    seen = video._luma(frame).astype(float)
    assert seen.max() == pytest.approx(white, rel=0.01)
    assert np.corrcoef(seen[0], ramp[0])[0, 1] > 0.9995


def test_hidden_files_of_the_system_are_no_pictures(tmp_path, frames):
    for number, frame in enumerate(frames):
        iio.imwrite(tmp_path / f"frame_{number}.PNG", frame, extension=".png")
    (tmp_path / "._frame_0.png").write_bytes(b"\x00\x05\x16\x07 no picture")
    found, damage = read(open_clip(tmp_path, frame_rate_hz=10.0))
    assert damage is None and len(found) == 12
    np.testing.assert_array_equal(found[11].pixels, frames[11])


# ------------------------------------------------------------------- what trying every kind of damage has found
def test_digits_that_are_no_numbers_do_not_stop_the_sorting(tmp_path, frames):
    for name in ("a²10.png", "a²9.png", "a٣.png"):
        iio.imwrite(tmp_path / name, frames[0])
    assert [path.name for path in picture_files(tmp_path)] == ["a²9.png", "a²10.png", "a٣.png"]


def test_a_folder_of_stacks_is_no_clip(tmp_path, frames):
    """Only the first page of each would be seen."""
    tifffile.imwrite(tmp_path / "a.tif", frames[:3], photometric="minisblack")
    with pytest.raises(LogFormatError, match=r"a\.tif, frame 0: .*3 pictures in place of one"):
        open_clip(tmp_path, frame_rate_hz=50.0)


def test_black_and_white_pictures_are_numbers(tmp_path, frames):
    iio.imwrite(tmp_path / "a.png", frames[0] > 100)
    clip = open_clip(tmp_path, frame_rate_hz=50.0)
    pixels = next(iter(clip)).pixels
    assert pixels.dtype == np.uint8 and clip.white_level == 255.0
    np.testing.assert_array_equal(pixels, np.where(frames[0] > 100, 255, 0))
    assert read_picture(tmp_path / "a.png").white_level == 255.0


def test_deep_grey_maps_have_the_white_of_16_bits(tmp_path):
    (tmp_path / "a.pgm").write_bytes(b"P5 4 2 65535\n" + np.arange(8, dtype=">u2").tobytes())
    picture = read_picture(tmp_path / "a.pgm")
    assert picture.white_level == 65535.0 and picture.pixels.dtype == np.uint16
    np.testing.assert_array_equal(picture.pixels, np.arange(8).reshape(2, 4))


@pytest.mark.parametrize("odd", [np.zeros((2, 4, 4), complex), np.full((2, 4, 4), "a"), np.zeros((2, 0, 4))])
def test_arrays_that_are_no_pictures(tmp_path, odd):
    np.save(tmp_path / "a.npy", odd)
    with pytest.raises(ValueError, match=r"a\.npy has shape \(2, .*numbers in the shape"):
        open_clip(tmp_path / "a.npy", frame_rate_hz=50.0)


def test_objects_are_never_unpickled(tmp_path):
    np.save(tmp_path / "a.npy", np.array([{}, 1], dtype=object), allow_pickle=True)
    with pytest.raises(LogFormatError, match=r"a\.npy.*cannot be read"):
        open_clip(tmp_path / "a.npy", frame_rate_hz=50.0)


def test_frames_of_another_size_are_damage(tmp_path, frames):
    for name, shown in {"a": frames[:2], "b": frames[:1, :32, :48]}.items():
        write_video(tmp_path / f"{name}.mjpeg", shown, codec="mjpeg", pixel_format="yuvj420p")
    both = tmp_path / "both.mjpeg"
    both.write_bytes((tmp_path / "a.mjpeg").read_bytes() + (tmp_path / "b.mjpeg").read_bytes())
    found, damage = read(open_clip(both, frame_rate_hz=50.0))
    assert len(found) == 2 and damage.frame_number == 2 and "48×32 px" in str(damage)
    pictures = Clip.from_iterable([frames[0], frames[1, :32]], frame_rate_hz=50.0)
    assert read(pictures)[1].frame_number == 1


@pytest.mark.parametrize("content", [b"", b"\0\0GIF87a", b"no picture"])
@pytest.mark.parametrize("suffix", [".png", ".gif", ".jpg", ".tif"])
def test_what_is_no_picture_is_tried_with_one_reader_only(tmp_path, content, suffix):
    """Else a dozen others are tried, some of which warn and leave the file open."""
    (tmp_path / f"a{suffix}").write_bytes(content)
    with pytest.raises(LogFormatError, match=rf"a\{suffix}"):
        read_picture(tmp_path / f"a{suffix}")


def test_remarks_in_a_video_need_not_be_utf_8(tmp_path, frames):
    path = tmp_path / "a.avi"
    with av.open(str(path), "w") as container:
        container.metadata["title"] = "Wren, cafe"
        stream = container.add_stream("rawvideo", rate=50)
        stream.height, stream.width, stream.pix_fmt = 64, 80, "gray"
        container.mux(stream.encode(av.VideoFrame.from_ndarray(frames[0], format="gray")))
    content = path.read_bytes()
    assert content.count(b"cafe") == 1
    path.write_bytes(content.replace(b"cafe", b"caf\xe9"))
    np.testing.assert_array_equal(next(iter(open_clip(path))).pixels, frames[0])
