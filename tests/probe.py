"""Clips read by other means than the package's: taken apart by hand after the standards, by PyAV, by ffprobe."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import struct
import subprocess
from fractions import Fraction

import av

# --- Matroska by hand (RFC 8794, RFC 9559) ------------------------------------------------------------------

HOLDERS = {0x18538067, 0x1654AE6B, 0xAE, 0xE0, 0x55B0, 0x55D0}
TRACK, VIDEO, COLOUR, MASTERING = 0xAE, 0xE0, 0x55B0, 0x55D0


def number(data, at, keep):
    length = 1
    while not data[at] & (0x80 >> (length - 1)):
        length += 1
    value = int.from_bytes(data[at : at + length], "big")
    return (value if keep else value - (1 << 7 * length)), at + length


def elements(data):
    """A list of (id, payload or a list of the same) of the first part of a file."""
    found, at = [], 0
    while at + 2 < len(data):
        name, at = number(data, at, True)
        size, at = number(data, at, False)
        if name == 0x1F43B675:  # the pictures begin
            break
        payload = data[at : at + size]
        found.append((name, elements(payload) if name in HOLDERS else payload))
        at += size
    return found


def tracks(path):
    """The tracks of a Matroska file, each as a dictionary of its elements by id, holders flattened."""

    def flat(items):
        result = {}
        for name, value in items:
            result |= flat(value) if isinstance(value, list) else {name: value}
        return result

    def find(items):
        for name, value in items:
            if name == TRACK:
                yield flat(value)
            elif isinstance(value, list):
                yield from find(value)

    return list(find(elements(path.read_bytes())))


def whole(value):
    return int.from_bytes(value, "big")


def sums_are_right(path):
    """Whether every CRC-32 of the first level is the one of its element (RFC 8794, 11.3.1)."""
    import zlib

    def check(data):
        at = 0
        while at + 2 < len(data):
            name, at = number(data, at, True)
            size, at = number(data, at, False)
            payload = data[at : at + size]
            if payload[:2] == b"\xbf\x84" and zlib.crc32(payload[6:]) != struct.unpack("<I", payload[2:6])[0]:
                return False
            if name == 0x18538067:
                return check(payload)
            at += size
        return True

    return check(path.read_bytes())


# --- QuickTime and MP4 by hand (ISO/IEC 14496-12) -----------------------------------------------------------


def boxes(data, begin=0, end=None):
    end = len(data) if end is None else end
    while begin + 8 <= end:
        size, kind = struct.unpack(">I4s", data[begin : begin + 8])
        head = 8
        if size == 1:
            size, head = struct.unpack(">Q", data[begin + 8 : begin + 16])[0], 16
        size = size or end - begin
        yield kind.decode("latin-1"), begin + head, begin + size
        begin += size


def box(data, *path):
    """The payload of the first box at a path; the children of a sample entry of pictures begin after 86 bytes."""
    begin, end = 0, len(data)
    for name in path:
        found = next(((b, e) for kind, b, e in boxes(data, begin, end) if kind == name), None)
        if found is None:
            return None
        begin, end = found
        begin += {"stsd": 8}.get(name, 78 if name in SAMPLES else 0)
    return data[begin:end]


SAMPLES = ("avc1", "hvc1", "hev1", "apch", "ap4h", "AVdh")


def sample_box(path, name):
    """A box beside the codec's own in the first track's sample entry."""
    data = path.read_bytes()
    table = box(data, "moov", "trak", "mdia", "minf", "stbl", "stsd")
    kind, begin, end = next(boxes(table))
    assert kind in SAMPLES
    found = [table[b:e] for k, b, e in boxes(table, begin + 78, end) if k == name]
    return found[0] if found else None


# --- by PyAV ------------------------------------------------------------------------------------------------


def described(path):
    """What a file holds beside the codes of its picture, as one dictionary with a line for each thing."""
    found = {}
    with av.open(str(path), metadata_errors="surrogateescape") as container:
        kinds = {}
        for stream in container.streams:
            cover = bool(stream.disposition & stream.disposition.attached_pic)
            lower = {k.lower(): v for k, v in stream.metadata.items()}
            if stream.type == "data" or (stream.type == "attachment" and not stream.name):
                continue
            kind = "cover" if cover else stream.type
            place = kinds[kind] = kinds.get(kind, 0) + 1
            name = f"{kind} {place}"
            found[f"{name} there"] = True
            if kind in ("cover", "attachment"):
                continue
            if kind != "video" or place > 1:
                found[f"{name} codec"] = stream.codec_context.name
            found[f"{name} title"] = lower.get("title") or lower.get("name", "")
            found[f"{name} language"] = {"und": ""}.get(lower.get("language", ""), lower.get("language", ""))
            for flag in ("default", "comment", "forced"):
                found[f"{name} {flag}"] = bool(stream.disposition & getattr(stream.disposition, flag))
        video = container.streams.video[0]
        values = {k.lower(): v for s in container.streams for k, v in s.metadata.items()}
        values |= {k.lower(): v for k, v in container.metadata.items()}
        found["pixel aspect"] = Fraction(video.sample_aspect_ratio or 1)
        found["timecode"], found["reel"] = values.get("timecode"), values.get("reel_name")
        found["chapters"] = [
            (float(c["start"] * c["time_base"]), float(c["end"] * c["time_base"]), c["metadata"].get("title"))
            for c in container.chapters()
        ]
        for key in ("title", "artist", "comment", "make", "model", "scene", "com.apple.quicktime.camera.serial"):
            found[f"metadata {key}"] = values.get(key)
        place = values.get("location")
        found["metadata location"] = [round(float(v), 3) for v in re.findall(r"[+-][\d.]+", place)] if place else None
        frame = next(container.decode(video))
        sides = {item.type.name: bytes(item) for item in frame.side_data}
        found["display matrix"] = sides.get("DISPLAYMATRIX")
    return found


def packet_hashes(path, kind):
    """A hash of all packets of each stream of a kind, covers left out."""
    hashes = {}
    with av.open(str(path)) as container:
        wanted = [s for s in container.streams if s.type == kind and not s.disposition & s.disposition.attached_pic]
        for packet in container.demux(*wanted) if wanted else ():
            if packet.size:
                hashes.setdefault(packet.stream.index, hashlib.sha256()).update(bytes(packet))
    return [value.hexdigest() for _, value in sorted(hashes.items())]


# --- by ffprobe, where it is installed ----------------------------------------------------------------------

FFPROBE = shutil.which("ffprobe")


def ffprobe(path, *what):
    done = subprocess.run(
        [FFPROBE, "-v", "error", "-of", "json", *(what or ("-show_streams", "-show_chapters")), str(path)],
        capture_output=True,
        check=True,
    )
    return json.loads(done.stdout)
