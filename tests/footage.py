"""Small clips made with PyAV alone, with known planes, tags, timestamps and sound."""

from __future__ import annotations

from fractions import Fraction

import av
import numpy as np

FILM = Fraction(24000, 1001)
BT709 = (1, 1, 1, 1)
"""Range, matrix, primaries and transfer by the numbers of ITU-T H.273: studio range, BT.709."""


def view(plane, bits):
    """The samples of a plane, to be read or written."""
    kind = np.dtype("u1" if bits == 8 else "<u2")
    return np.frombuffer(plane, kind).reshape(-1, plane.line_size // kind.itemsize)[: plane.height, : plane.width]


def depth(pixel_format):
    return av.VideoFormat(pixel_format, 2, 2).components[0].bits


def make(
    path,
    codec="ffv1",
    pixel_format="yuv420p",
    frames=6,
    size=(64, 48),
    rate=FILM,
    time_base=None,
    pts=None,
    tags=BT709,
    sound=None,
    options=None,
    turn=0,
    timecode=None,
    flat=None,
    interlaced=False,
):
    """Write a clip and return its planes, frame by frame: shades and noise, or ``flat`` code values."""
    random = np.random.default_rng(0)
    bits = depth(pixel_format)
    time_base = time_base or 1 / rate
    written = []
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        stream.width, stream.height, stream.pix_fmt = *size, pixel_format
        context = stream.codec_context
        context.time_base = time_base
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = tags
        if turn:
            stream.set_display_rotation(turn)
        if timecode:
            stream.metadata["timecode"] = timecode
        voice = container.add_stream(sound, rate=48000) if sound else None
        for number in range(frames):
            frame = av.VideoFrame(*size, pixel_format)
            frame.color_range, frame.colorspace = tags[:2]
            for index, plane in enumerate(frame.planes):
                y, x = np.mgrid[0 : plane.height, 0 : plane.width]
                shades = 40 + 90 * x / plane.width + 60 * y / plane.height + number % 40
                noise = random.integers(0, 3, x.shape)
                values = shades.astype(int) * (1 << (bits - 8)) + noise if flat is None else flat[index]
                view(plane, bits)[:] = values
            written.append([view(plane, bits).copy() for plane in frame.planes])
            frame.pts, frame.time_base = (pts[number] if pts else number), time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if voice is not None:
            _add_sound(container, voice, float(frames / rate))
    return written


def _add_sound(container, stream, seconds):
    for block in range(int(seconds * 48000 / 1024) + 1):
        wave = np.sin((np.arange(1024) + 1024 * block) * 0.05)
        if stream.codec_context.name == "aac":
            frame = av.AudioFrame.from_ndarray(wave.astype(np.float32)[None], "fltp", "mono")
        else:
            frame = av.AudioFrame.from_ndarray((wave * 20000).astype(np.int16)[None], "s16", "mono")
        frame.sample_rate, frame.pts, frame.time_base = 48000, block * 1024, Fraction(1, 48000)
        container.mux(stream.encode(frame))
    container.mux(stream.encode(None))


def packets(path, kind):
    """The time and the bytes of every packet of the first stream of a kind."""
    with av.open(str(path)) as container:
        stream = getattr(container.streams, kind)[0]
        return [(packet.pts * packet.time_base, bytes(packet)) for packet in container.demux(stream) if packet.size]


def index_first(path, target):
    """Copy a clip so that its index stands before the frames, where a cut leaves it readable."""
    with av.open(str(path)) as source, av.open(str(target), "w", options={"movflags": "faststart"}) as copy:
        stream = copy.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                copy.mux(packet)
