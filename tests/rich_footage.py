"""Clips with all that may lie beside a picture, made with PyAV alone."""

from __future__ import annotations

import io
from fractions import Fraction

import av
import footage
from av.stream import Disposition
from PIL import Image

RATE = Fraction(25)
CHAPTERS = [
    {"id": 1, "start": 0, "end": 400, "time_base": Fraction(1, 1000), "metadata": {"title": "Keel"}},
    {"id": 2, "start": 400, "end": 1000, "time_base": Fraction(1, 1000), "metadata": {"title": "Planks"}},
]
METADATA = {
    **{"title": "Launch day", "artist": "The yard", "comment": "ü take", "make": "Maker", "model": "M1"},
    **{"location": "+50.1-005.5/", "scene": "12A", "com.apple.quicktime.camera.serial": "77"},
}


def make(path, codec="libx264", pixel_format="yuv420p", frames=25, aspect=Fraction(4, 3), matrix=None, options=None):
    """A clip with a second picture, two sounds, subtitles, chapters, names, and an attachment or a cover."""
    suffix = path.suffix
    with av.open(str(path), "w", options={} if suffix == ".mkv" else {"movflags": "use_metadata_tags"}) as container:
        video = _video(container, codec, pixel_format, (64, 48), "main picture", options)
        video.codec_context.sample_aspect_ratio = aspect
        video.metadata.update(timecode="10:00:00:00", reel_name="A001C002")
        if matrix is not None:
            video.set_display_matrix(matrix)
        witness = _video(container, "libx264", "yuv420p", (32, 32), "witness", None)
        sounds = [container.add_stream("aac", rate=48000) for _ in range(2)]
        sounds[0].metadata.update(language="deu", title="Ton")
        sounds[0].disposition = Disposition(0)
        sounds[1].metadata.update(language="eng", title="Remarks")
        sounds[1].disposition = Disposition.default | Disposition.comment
        words = container.add_mux_stream("subrip" if suffix == ".mkv" else "mov_text")
        words.time_base = Fraction(1, 1000)
        words.metadata.update(language="fra", title="Words")
        words.disposition = Disposition.forced
        cover = None
        if suffix == ".mkv":
            container.add_attachment("note.txt", "text/plain", b"larch on oak")
        elif suffix == ".mp4":
            cover = container.add_mux_stream("png", width=16, height=16)
            cover.disposition = Disposition.attached_pic
        container.set_chapters(CHAPTERS)
        container.metadata.update(METADATA)
        container.start_encoding()
        if cover is not None:
            memory = io.BytesIO()
            Image.new("RGB", (16, 16), (200, 120, 90)).save(memory, "png")
            _mux(container, cover, memory.getvalue(), 0, 0)
        for stream in (video, witness):
            for number in range(frames):
                container.mux(stream.encode(_frame(stream, number)))
            container.mux(stream.encode(None))
        for sound in sounds:
            footage._add_sound(container, sound, frames / RATE)
        for number in range(2):
            text = f"line {number}".encode()
            text = text if suffix == ".mkv" else len(text).to_bytes(2, "big") + text
            _mux(container, words, text, number * 400, 300)


def _video(container, codec, pixel_format, size, title, options):
    stream = container.add_stream(codec, rate=RATE, options=options or {})
    (stream.width, stream.height), stream.pix_fmt = size, pixel_format
    context = stream.codec_context
    context.time_base = 1 / RATE
    context.color_range, context.colorspace, context.color_primaries, context.color_trc = footage.BT709
    stream.metadata["title"] = title
    return stream


def _frame(stream, number):
    frame = av.VideoFrame(stream.width, stream.height, stream.pix_fmt)
    for plane in frame.planes:
        footage.view(plane, footage.depth(stream.pix_fmt))[:] = 60 + number
    frame.pts, frame.time_base = number, 1 / RATE
    return frame


def _mux(container, stream, data, pts, duration):
    packet = av.Packet(data)
    packet.stream, packet.time_base = stream, Fraction(1, 1000)
    packet.pts, packet.dts, packet.duration, packet.is_keyframe = pts, pts, duration, True
    container.mux(packet)
