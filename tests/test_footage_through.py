"""Footage of many kinds through three outputs: it opens, untouched codes stay, and so do times, tags and all beside."""

from __future__ import annotations

import itertools
from fractions import Fraction

import footage
import numpy as np
import probe
import pytest
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.host_adapters.media.video_write import VideoWriter

OUTPUTS = {"mkv": "ffv1", "mov": "prores", "mp4": "h264"}
QUIET = {"x265-params": "log-level=error"}
FORMATS = ("yuv420p", "yuv422p", "yuv444p", "yuv420p10le", "yuv422p10le", "yuv444p10le")
RATES = (Fraction(24000, 1001), Fraction(25), Fraction(60000, 1001))
HD, SD, PQ, HLG = (1, 1, 1, 1), (1, 6, 6, 6), (1, 9, 9, 16), (1, 9, 9, 18)
VARYING = {"pts": [0, 1001, 2002, 4004, 7007, 8008], "time_base": Fraction(1, 24000), "options": {"bf": "0"}}


def kinds():
    """(name, suffix, encoder, pixel format, settings) of each source."""
    for (number, pixel_format), rate in itertools.product(enumerate(FORMATS[:5]), RATES):
        suffix = ("mp4", "mov", "mkv")[(number + rate.numerator) % 3]
        yield "h264", suffix, "libx264", pixel_format, {"rate": rate, "sound": "aac", "tags": HD}
    for pixel_format, tags, suffix in (("yuv420p10le", PQ, "mp4"), ("yuv422p10le", HLG, "mov"), ("yuv420p", HD, "mkv")):
        yield "hevc", suffix, "libx265", pixel_format, {"options": QUIET, "tags": tags}
    for pixel_format, profile in (("yuv422p10le", "hq"), ("yuv444p10le", "4444"), ("yuva444p10le", "4444")):
        for tags in (HD, SD, PQ):
            more = {"options": {"profile": profile}, "tags": tags, "sound": "pcm_s16le", "timecode": "10:00:00:00"}
            yield "prores", "mov", "prores_ks", pixel_format, more
    for suffix, pixel_format, profile in (("mov", "yuv422p", "dnxhr_sq"), ("mxf", "yuv422p10le", "dnxhr_hqx")):
        yield "dnxhr", suffix, "dnxhd", pixel_format, {"options": {"profile": profile}, "size": (256, 128)}
    for pixel_format, tags in itertools.product((*FORMATS, "yuva444p10le", "yuv444p16le"), (SD, (2, 1, 1, 13))):
        yield "ffv1", "mkv", "ffv1", pixel_format, {"tags": tags, "sound": "pcm_s16le", "rate": Fraction(30000, 1001)}
    for suffix in ("ts", "mpg", "mkv"):
        yield "mpeg2", suffix, "mpeg2video", "yuv422p", {"rate": Fraction(25)}
    for suffix in ("avi", "mov", "mkv"):
        yield "mjpeg", suffix, "mjpeg", "yuvj420p", {"tags": (2, 5, 1, 1), "rate": Fraction(25)}
    yield "vp9", "webm", "libvpx-vp9", "yuv420p", {"rate": Fraction(30), "options": {"deadline": "realtime"}}
    yield "mpeg4", "avi", "mpeg4", "yuv420p", {"rate": Fraction(25), "options": {"qscale": "2"}}
    yield "transport", "mts", "libx264", "yuv420p", {"rate": Fraction(25)}
    for turn, suffix in ((90, "mov"), (180, "mp4"), (270, "mkv")):
        yield "turned", suffix, "libx264", "yuv420p", {"turn": turn, "rate": Fraction(25)}
    for suffix in ("mp4", "mov", "mkv"):
        yield "varying", suffix, "libx264", "yuv420p", VARYING


KINDS = list(kinds())


@pytest.mark.large
@pytest.mark.parametrize("kind", KINDS, ids=[f"{k[0]}-{k[3]}-{k[1]}-{i}" for i, k in enumerate(KINDS)])
def test_footage_goes_through(tmp_path, kind):
    _, suffix, encoder, pixel_format, more = kind
    source = tmp_path / f"in.{suffix}"
    footage.make(source, encoder, pixel_format, **more)
    frames = list(VideoReader(source))
    info = VideoReader(source).info
    assert len(frames) == info.frames == 6
    before = probe.described(source)
    for target_suffix, codec in OUTPUTS.items():
        target = tmp_path / f"out.{target_suffix}"
        with VideoWriter(target, info, codec) as writer:
            for frame in frames:
                writer.write(frame.number, frame.picture, frame.original)
        result, notes = list(VideoReader(target)), " ".join(writer.notes)
        np.testing.assert_allclose(
            [float(frame.time) for frame in result], [float(frame.time) for frame in frames], atol=1.1e-3
        )
        if codec == "ffv1":
            for first, second in zip(frames, result, strict=True):
                assert all(map(np.array_equal, first.original.planes, second.original.planes))
        for index, (tag, found) in enumerate(zip(info.tags[1:], VideoReader(target).info.tags[1:], strict=True)):
            same_matrix = index == 0 and {tag, found} == {5, 6}
            assert tag in (0, 2, 3) or tag == found or same_matrix
        after = probe.described(target)
        lost = [k for k, v in before.items() if v and not k.endswith("codec") and after.get(k) != v]
        assert [k for k in lost if k != "video 1 language"] == []
        assert "not carried on" not in notes or "alpha" in notes or "place of chroma" in notes
        assert probe.packet_hashes(source, "audio") == probe.packet_hashes(target, "audio")
