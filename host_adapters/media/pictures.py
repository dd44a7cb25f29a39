"""Pictures: single image files, to float32 R′G′B′(A) and back at the depth they came in."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats, as_picture, as_plane
from ...kernels.codes import dequantise, quantise
from ..writes import OutputError, atomic, output_error, write_bytes
from .files import InputError, check_input, plain_name

FORMATS = {
    ".exr": "openexr",
    ".dpx": "dpx",
    ".tif": "tiff",
    ".tiff": "tiff",
    ".png": "png",
    ".jpg": "jpeg",
    ".jpeg": "jpeg",
}
"""The formats that are written, by suffix."""

_DEPTHS = {"openexr": (16, 32), "dpx": (8, 10, 12, 16), "tiff": (8, 16, 32), "png": (8, 16), "jpeg": (8,)}
_DEFAULT_DEPTH = {"openexr": 16, "dpx": 10, "tiff": 16, "png": 16, "jpeg": 8}
# JPEG has no alpha; the library's 10-bit DPX writer damages row ends where there are four channels.
_NO_ALPHA = {("jpeg", 8), ("dpx", 10)}
_JPEG_QUALITY = 95
_ORIENTATION_TAG = 274
_PNG_END = b"IEND\xaeB`\x82"

# What is true of a picture in any format; everything else passes only between files of one format.
_GENERAL = (
    *("DateTime", "Software", "Artist", "Copyright", "ImageDescription", "DocumentName", "PixelAspectRatio"),
    *("framesPerSecond", "smpte:TimeCode", "smpte:KeyCode", "ICCProfile", "chromaticities"),
)
_OUR_OWN = ("Orientation", "oiio:", "tiff:", "planarconfig", "png:cHRM", "dpx:ImageDescriptor", "dpx:Packing", "jpeg:")


@dataclass(frozen=True, eq=False)
class PictureInfo:
    """What a picture file says of itself beside the pixels; given to :func:`write_picture` it is kept.

    :ivar bits: bits a sample; 16 is half float and 32 float where ``floating``.
    :ivar channels: the names of the channels that the picture holds, then of all others.
    :ivar premultiplied: whether colour is already multiplied by alpha, as the file has it.
    :ivar part: the name of the part that is read, in a file of several. :ivar alpha: whether one was read.
    :ivar window: the data window's x, y, then the display window's x, y, width, height.
    :ivar metadata: name to (OpenImageIO type name, value).
    :ivar others: the further channels as float32 (H, W, n), with their names and sample types.
    :ivar notes: what a person should know, one sentence each.
    """

    path: Path
    format: str
    width: int
    height: int
    bits: int
    floating: bool
    channels: tuple[str, ...]
    premultiplied: bool = True
    part: str = ""
    alpha: bool = False
    orientation: int = 1
    window: tuple[int, int, int, int, int, int] = (0, 0, 0, 0, 0, 0)
    metadata: dict[str, tuple[str, Any]] = field(default_factory=dict)
    others: Floats | None = None
    other_names: tuple[str, ...] = ()
    other_types: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


# --- reading ------------------------------------------------------------------------------------------------


def _reason(error: str) -> str:
    lines = [line.strip() for line in error.replace("\r", "").split("\n") if line.strip()]
    return (lines[0] if lines else "the pixels are missing or damaged").rstrip(".")


def _problem(reporter: Any) -> str:
    """Return what a reader, a writer or the library has to say, which is not always text."""
    try:
        return str(reporter.geterror())
    except UnicodeDecodeError:
        return "the file is damaged"


def _open(path: Path) -> Any:
    import OpenImageIO as oiio

    check_input(path)
    hints = oiio.ImageSpec()
    hints.attribute("oiio:UnassociatedAlpha", 1)
    with plain_name(path) as name:
        source = oiio.ImageInput.open(name, hints)
    if source is None:
        raise InputError(
            f"{path} is not a readable picture ({_reason(_problem(oiio))}): export it again, "
            f"or give it the suffix of what it is ({', '.join(FORMATS)})."
        )
    expected, found = FORMATS.get(path.suffix.lower()), source.format_name()
    if expected is not None and found != expected:
        source.close()
        suffix = next((s for s, f in FORMATS.items() if f == found), None)
        fix = f"rename it to end in {suffix}" if suffix else "export it again"
        raise InputError(f"{path} holds a picture of the format {found}, not {expected}: {fix}.")
    return source


def _layers(names: Sequence[str]) -> dict[str, list[int]]:
    """Return the layers of a picture that have red, green and blue, with the indices of these and perhaps of alpha."""
    lower = [name.lower() for name in names]
    found = {}
    for layer in sorted(dict.fromkeys(name.rpartition(".")[0] for name in names), key=lambda layer: layer != ""):
        wanted = [f"{layer}.{c}".lower() if layer else c for c in "rgba"]
        if all(name in lower for name in wanted[:3]):
            found[layer] = [lower.index(name) for name in wanted if name in lower]
    return found


def _choose_channels(path: Path, spec: Any, layer: str | None = None) -> tuple[list[int], list[int]]:
    """Return the indices of R, G, B and perhaps A, and those of all other channels. Raises InputError."""
    names = list(spec.channelnames)
    layers = _layers(names)
    if layer is not None:
        wanted = next((found for name, found in layers.items() if name.lower() == layer.lower()), None)
        if wanted is None:
            known = ", ".join(name for name in layers if name) or "none"
            raise InputError(f"{path} has no layer {layer!r} with red, green and blue; those with them: {known}.")
        return wanted, [i for i in range(len(names)) if i not in wanted]
    if len(names) < 3:
        count = "1 channel" if len(names) == 1 else f"{len(names)} channels"
        raise InputError(
            f"{path} has {count} ({', '.join(names)}), and grey holds no skin colour: give the one in colour."
        )
    for chosen in layers.values():
        return chosen, [i for i in range(len(names)) if i not in chosen]
    if len(names) == 3:
        return [0, 1, 2], []
    raise InputError(f"{path} has no channels R, G and B, only {', '.join(names)}: export it as RGB.")


@dataclass(frozen=True)
class _Part:
    """A part of a file of several, by its number from 0."""

    number: int
    name: str
    deep: bool
    coloured: bool

    @property
    def word(self) -> str:
        """What names it: its name, or its number from 1."""
        return self.name or str(self.number + 1)


def _parts(source: Any) -> list[_Part]:
    """Return the parts of a file; pages and frames of other formats than OpenEXR are told apart by number alone."""
    found = []
    for number in range(_MOST_PARTS):
        if not source.seek_subimage(number, 0):
            _problem(source)
            break
        spec = source.spec()
        coloured = bool(_layers(spec.channelnames)) or spec.nchannels == 3
        found.append(_Part(number, spec.get_string_attribute("oiio:subimagename"), bool(spec.deep), coloured))
    return found


_MOST_PARTS = 4096
_PART_WORDS = {"openexr": "part", "tiff": "page", "gif": "frame", "png": "frame"}


def _choose_part(path: Path, source: Any, part: str | None) -> tuple[_Part, list[str]]:
    """Go to the part that is asked for, or to the first that holds colour, and say which. Raises InputError."""
    parts = _parts(source)
    flat = [item for item in parts if not item.deep]
    known = ", ".join(item.word for item in parts)
    if part is not None:
        wanted = next((item for item in parts if part.lower() in (item.name.lower(), str(item.number + 1))), None)
        if wanted is None:
            raise InputError(f"{path} has no part {part!r}: it has {known}.")
        chosen = wanted
    else:
        chosen = next((item for item in flat if item.coloured), (flat or parts)[0])
    if chosen.deep:
        raise InputError(
            f"{path} holds deep samples, several a pixel: flatten it first, with the flatten function of OpenImageIO "
            "or where it was rendered, and give the flat picture."
        )
    source.seek_subimage(chosen.number, 0)
    word = _PART_WORDS.get(source.format_name(), "part")
    if len(parts) == 1:
        return chosen, []
    way = f"; name another as {path}:part={parts[-1].word}" if word == "part" and part is None else ""
    names = f" ({known})" if any(item.name for item in parts) else ""
    return chosen, [f"{path}: {word} {chosen.word} of {len(parts)}{names} is read and the others are left out{way}."]


def _read_native(path: Path, source: Any, first: int, last: int, kind: str) -> NDArray[Any]:
    pixels = source.read_image(source.current_subimage(), 0, first, last, kind)
    problem = _problem(source)
    if pixels is None or problem:
        raise InputError(f"{path} breaks off or is damaged ({_reason(problem)}): copy or export it again.")
    result: NDArray[Any] = np.asarray(pixels).reshape(source.spec().height, source.spec().width, last - first)
    return result


def _depth(spec: Any) -> tuple[int, bool]:
    kind = str(spec.format)
    if kind in ("half", "float", "double"):
        return (16 if kind == "half" else 32), True
    stored = 8 if kind == "uint8" else 16
    stated = spec.get_int_attribute("oiio:BitsPerSample", stored)
    return (stated if 8 <= stated <= stored else stored), False


def _png_beside(path: Path) -> tuple[int, dict[str, tuple[str, Any]]]:
    """What the library does not tell of a PNG: how many frames it holds, and the chromaticities of other primaries."""
    from PIL import Image

    try:
        with Image.open(path) as picture:
            points = tuple(picture.info.get("chromaticity") or _BT709)
            other = max(abs(a - b) for a, b in zip(points, _BT709, strict=True)) > 1e-3
            return int(getattr(picture, "n_frames", 1)), {_CHROMATICITIES: ("", points)} if other else {}
    except OSError:
        return 1, {}


_CHROMATICITIES = "png:cHRM"
_BT709 = (0.3127, 0.329, 0.64, 0.33, 0.3, 0.6, 0.15, 0.06)
"""White, red, green and blue in the order of the chunk cHRM (BT.709-6, item 1.3 and 1.4)."""


def _as_floats(path: Path, source: Any, bits: int, floating: bool) -> Floats:
    spec = source.spec()
    if floating:
        return _read_native(path, source, 0, spec.nchannels, "float")
    if bits == 8:
        return dequantise(_read_native(path, source, 0, spec.nchannels, "uint8"), 8)
    codes = _read_native(path, source, 0, spec.nchannels, "uint16")
    return dequantise(codes >> (16 - bits), bits)


def _metadata(path: Path, spec: Any) -> tuple[dict[str, tuple[str, Any]], list[str]]:
    """Return the metadata, bytes that are no UTF-8 as lone surrogates, and a note on what cannot be passed on."""
    kept: dict[str, tuple[str, Any]] = {}
    lost = []
    for item in spec.extra_attribs:
        try:
            name, value = item.name, item.value
        except UnicodeDecodeError:
            lost.append("an item whose text is no UTF-8")
            continue
        several = isinstance(value, tuple) and any(isinstance(part, str) and _is_odd(part) for part in value)
        if _is_odd(name) or several:
            lost.append(os.fsencode(name).decode("utf-8", "backslashreplace"))
        else:
            kept[name] = (str(item.type), value)
    return kept, [f"{path}: the metadata {', '.join(lost)} cannot be passed on: no UTF-8."] if lost else []


def _is_odd(text: str) -> bool:
    """Tell whether bytes that are no UTF-8 stand in a text."""
    return any("\udc80" <= sign <= "\udcff" for sign in text)


def _set(spec: Any, name: str, type_name: str, value: Any) -> None:
    """Set an item of metadata, text as the bytes that it came as."""
    import OpenImageIO as oiio

    if isinstance(value, str) and _is_odd(value):
        spec.attribute(name, value.encode("utf-8", "surrogateescape"))
    else:
        spec.attribute(name, oiio.TypeDesc(type_name), value)


# EXIF 2.3, tag 274: how the stored rows and columns are to be shown; each is its own flips, then a transposition.
_ORIENTATIONS = {
    1: (False, False, False),
    2: (False, True, False),
    3: (True, True, False),
    4: (True, False, False),
    5: (False, False, True),
    6: (True, False, True),
    7: (True, True, True),
    8: (False, True, True),
}


def _upright(pixels: Floats, orientation: int) -> Floats:
    upside, mirrored, turned = _ORIENTATIONS.get(orientation, _ORIENTATIONS[1])
    if upside:
        pixels = pixels[::-1]
    if mirrored:
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(pixels.swapaxes(0, 1) if turned else pixels)


def read_picture(path: Path | str, part: str | None = None, layer: str | None = None) -> tuple[Floats, PictureInfo]:
    """Read a picture file.

    Integer codes become 0 to 1 over their full range, half and float come as they are, NaN included. The picture
    is turned upright where the file states an orientation.

    :param part: of a file of several, by its name or its number from 1; left out, the first that holds colour.
    :param layer: the channels to read, as in ``beauty`` for ``beauty.R``; left out, the first with red, green and blue.
    :returns: float32 (H, W, 3), or (H, W, 4) where there is an alpha channel; and what the file says of itself.
    :raises InputError: the file is missing, empty, damaged, not a picture, grey, deep, or of another format than its
        suffix says; there is no such part or layer.
    """
    path = Path(path)
    source = _open(path)
    try:
        found, notes = _choose_part(path, source, part)
        spec = source.spec()
        chosen, rest = _choose_channels(path, spec, layer)
        bits, floating = _depth(spec)
        pixels = _as_floats(path, source, bits, floating)
        orientation = spec.get_int_attribute("Orientation", 1)
        info = _describe(path, source, chosen, rest, pixels, orientation)
        frames, beside = _png_beside(path) if info.format == "png" else (1, {})
        if frames > 1:
            notes = [f"{path}: frame 1 of {frames} is read and the others are left out."]
        info = replace(info, part=found.name, metadata=info.metadata | beside, notes=(*notes, *info.notes))
    finally:
        source.close()
    return _upright(np.ascontiguousarray(pixels[:, :, chosen]), orientation), info


def _describe(
    path: Path, source: Any, chosen: list[int], rest: list[int], pixels: Floats, orientation: int
) -> PictureInfo:
    spec = source.spec()
    names = spec.channelnames
    metadata, notes = _metadata(path, spec)
    kinds = [str(kind) for kind in spec.channelformats] or [str(spec.format)] * len(names)
    lost = [names[i] for i in rest if kinds[i].startswith(("uint", "int")) and source.format_name() == "openexr"]
    if lost:
        notes.append(f"{path}: the whole-number channels {', '.join(lost)} are not passed on.")
        rest = [i for i in rest if names[i] not in lost]
    bits, floating = _depth(spec)
    turned = _ORIENTATIONS.get(orientation, _ORIENTATIONS[1])[2]
    return PictureInfo(
        path=path,
        format=source.format_name(),
        width=spec.height if turned else spec.width,
        height=spec.width if turned else spec.height,
        bits=bits,
        floating=floating,
        channels=tuple(names[i] for i in [*chosen, *rest]),
        premultiplied=not spec.get_int_attribute("oiio:UnassociatedAlpha", 0),
        alpha=len(chosen) == 4,
        orientation=orientation,
        window=(spec.x, spec.y, spec.full_x, spec.full_y, spec.full_width, spec.full_height),
        metadata=metadata,
        others=_upright(pixels[:, :, rest], orientation) if rest else None,
        other_names=tuple(names[i] for i in rest),
        other_types=tuple(kinds[i] for i in rest),
        notes=tuple(notes),
    )


# --- writing ------------------------------------------------------------------------------------------------


def picture_format(path: Path | str) -> str:
    """Return the format that the suffix stands for. Raises OutputError that lists the known ones."""
    path = Path(path)
    try:
        return FORMATS[path.suffix.lower()]
    except KeyError:
        known = ", ".join(FORMATS)
        raise OutputError(f"{path} ends in {path.suffix or 'no suffix'!r}: a picture needs one of {known}.") from None


def _output_depth(path: Path, name: str, like: PictureInfo | None, bits: int | None) -> tuple[int, bool]:
    """Return bits a sample, and whether they are of a half or float."""
    allowed = _DEPTHS[name]
    if bits is not None:
        if bits not in allowed:
            raise OutputError(
                f"{path} cannot have {bits} bits a sample: {name} takes {' or '.join(str(b) for b in allowed)}."
            )
        return bits, name == "openexr" or bits == 32
    default = _DEFAULT_DEPTH[name], name == "openexr"
    if like is None:
        return default
    if name == "png":
        return (8 if like.bits == 8 else 16), False
    return (like.bits, like.floating) if like.format == name and like.bits in allowed else default


def _samples(pixels: Floats, bits: int, floating: bool) -> tuple[NDArray[Any], str]:
    """Return the pixels in the form the file stores, and that form's name."""
    if floating:
        return pixels, "half" if bits == 16 else "float"
    codes = quantise(pixels, bits, dither=bits == 8)
    if bits == 8:
        return codes, "uint8"
    if bits < 16:  # the library takes the upper bits of 16
        codes = (codes << (16 - bits)) | (codes >> (2 * bits - 16))
    return codes.astype(np.uint16), "uint16"


def writing_notes(path: Path | str, like: PictureInfo, bits: int | None = None) -> list[str]:
    """Say what of a picture a file cannot hold, before it is written: one sentence each.

    Raises OutputError as :func:`write_picture`.
    """
    name = picture_format(path)
    depth, floating = _output_depth(Path(path), name, like, bits)
    notes, lost = [], []
    if like.alpha and (name, depth) in _NO_ALPHA:
        lost.append("alpha")
    if like.others is not None and name != "openexr":
        lost.append(f"the channels {', '.join(like.other_names)}")
    if _CHROMATICITIES in like.metadata:
        lost.append("the primaries of its cHRM chunk")
    if lost:
        notes.append(f"{path}: not carried on: {'; '.join(lost)}.")
    if like.floating and not floating:
        notes.append(f"{path} holds whole numbers: what lies below 0 or above 1 is cut off; .exr keeps it.")
    if name == like.format == "jpeg":
        notes.append(f"{path}: JPEG is lossy, so pixels that nothing touched change too; .png and .tif keep them.")
    return notes


_COLOURS = (
    *("ICCProfile", "CICP", "chromaticities", "oiio:ColorSpace", "oiio:Gamma", "dpx:Transfer", "dpx:Colorimetric"),
)
"""What speaks of colours, and holds no longer where they were converted."""


def _is_kept(key: str, same_format: bool, converted: bool) -> bool:
    if (key.startswith(_OUR_OWN) and key != "oiio:Gamma") or (converted and key in _COLOURS):
        return False
    return same_format or key in _GENERAL or key.startswith("Exif:")


_PNG_LEVEL = 4
"""In little more than half the time of the usual 6 at 8 bits, for files larger by 1 % (grain) to 8 % (none)."""


def _spec(
    name: str,
    samples: NDArray[Any],
    kind: str,
    bits: int,
    like: PictureInfo | None,
    tags: tuple[int, int] | None = None,
) -> Any:
    import OpenImageIO as oiio

    height, width, channels = samples.shape
    spec = oiio.ImageSpec(width, height, channels, kind)
    metadata = like.metadata if like is not None else {}
    for key, (type_name, value) in metadata.items():
        if like is not None and _is_kept(key, like.format == name, tags is not None):
            _set(spec, key, type_name, value)
    if tags is not None and name == "png" and 2 not in tags:
        spec.attribute("CICP", oiio.TypeDesc("int[4]"), (*tags, 0, 1))
    if like is not None and like.format == name == "openexr" and (like.width, like.height) == (width, height):
        spec.x, spec.y, spec.full_x, spec.full_y, spec.full_width, spec.full_height = like.window
    if name == "dpx" or (name == "tiff" and bits < 16):
        spec.attribute("oiio:BitsPerSample", bits)
    if channels == 4 and not _is_premultiplied(like) and name in ("png", "tiff"):
        spec.attribute("oiio:UnassociatedAlpha", 1)
    if name == "png":
        spec.attribute("png:compressionLevel", _PNG_LEVEL)
    if kind == "half" and name == "tiff":
        spec.attribute("tiff:half", 1)
    if like is not None and like.part and name == "openexr":
        spec.attribute("oiio:subimagename", like.part)
    spec.attribute("Orientation", 1)
    return spec


def _is_premultiplied(like: PictureInfo | None) -> bool:
    """Whether the colour that goes to an output is multiplied by an alpha: only where the input's was."""
    return like is not None and like.premultiplied and len(like.channels) - len(like.other_names) == 4


def _write_jpeg(
    path: Path,
    codes: NDArray[Any],
    like: PictureInfo | None,
    inputs: Iterable[Path | str],
    converted: bool = False,
) -> None:
    """Write JPEG through Pillow: the JPEG writer of OpenImageIO ends the whole process on a full disk."""
    from PIL import Image

    options: dict[str, Any] = {"quality": _JPEG_QUALITY, "subsampling": 0}
    if like is not None and like.format == "jpeg" and like.path.is_file():
        with Image.open(like.path) as source:
            exif = source.getexif()
            exif[_ORIENTATION_TAG] = 1
            options |= {"exif": exif, "icc_profile": None if converted else source.info.get("icc_profile")}
    memory = io.BytesIO()
    Image.fromarray(codes if codes.shape[2] == 3 else codes[:, :, 0]).save(memory, "jpeg", **options)
    write_bytes(path, memory.getvalue(), inputs)


_UNKNOWN_TIME = "    :  :     :  :  "
"""As Exif 2.3 (4.6.4) fills in a time that is not known. The library would put in that of writing, and EXR would give
it as that of the take; and no two runs would write the same file."""


def _write(path: Path, samples: NDArray[Any], spec: Any, inputs: Iterable[Path | str]) -> None:
    import OpenImageIO as oiio

    if not any(sign.isdigit() for sign in spec.get_string_attribute("DateTime")):
        spec.attribute("DateTime", _UNKNOWN_TIME if path.suffix.lower() in (".tif", ".tiff") else "")
    with atomic(path, inputs) as temporary, plain_name(temporary) as name:
        target = oiio.ImageOutput.create(name)
        if target is None:
            raise output_error(path, _problem(oiio))
        done = target.open(name, spec) and target.write_image(np.ascontiguousarray(samples))
        problem = _problem(target)
        if not (target.close() and done):
            raise output_error(path, _disk_reason(problem or _problem(target), temporary))
        _check_complete(path, Path(name))


def _disk_reason(error: str, temporary: Path) -> str:
    """What the library says, without our temporary name, and the cause that is by far the most frequent."""
    return f"{_reason(error.replace(str(temporary), 'the file'))}; is there room on the disk?"


def _check_complete(path: Path, temporary: Path) -> None:
    """Read the file back: several of the writers report success on a full disk."""
    import OpenImageIO as oiio

    source = oiio.ImageInput.open(str(temporary))
    whole = source is not None and source.read_image(oiio.UNKNOWN) is not None and not _problem(source)
    if source is None:
        _problem(oiio)
    else:
        source.close()
    if whole and temporary.suffix.lower() == ".png":
        with temporary.open("rb") as file:
            file.seek(-len(_PNG_END), os.SEEK_END)
            whole = file.read() == _PNG_END
    if not whole:
        raise output_error(path, "the file came out incomplete; is there room on the disk?")


def write_picture(
    path: Path | str,
    picture: Floats,
    like: PictureInfo | None = None,
    bits: int | None = None,
    inputs: Iterable[Path | str] = (),
    tags: tuple[int, int] | None = None,
) -> None:
    """Write a picture file in the format of its suffix; it appears complete or not at all.

    :param picture: float32 (H, W, 3 or 4). JPEG and DPX at 10 bits leave alpha out.
    :param like: what the input said of itself: depth, metadata, alpha, further channels and windows are kept as
        far as the format can hold them.
    :param bits: bits a sample: EXR 16 (half) or 32, DPX 8, 10, 12 or 16, TIFF 8, 16 or 32 (float), PNG 8 or 16,
        JPEG 8. Left out: as an input of the same format, half TIFF included; otherwise EXR half, DPX 10, TIFF 16, PNG
        8 for an input of 8 and 16 for all others. At 8 bits the rounding is dithered.
    :param tags: primaries and transfer as ITU-T H.273 numbers, where the picture comes in other colours than ``like``:
        what the input says of them is left out, and a PNG gets these.
    :param inputs: files that must not be overwritten; that of ``like`` is one of them.
    :raises OutputError: unknown suffix or depth, the output is an input, or the file cannot be written.
    """
    path = Path(path)
    name = picture_format(path)
    depth, floating = _output_depth(path, name, like, bits)
    picture = as_picture(picture)
    if (name, depth) in _NO_ALPHA:
        picture = picture[:, :, :3]
    samples, kind = _samples(picture, depth, floating)
    inputs = [*inputs, *([like.path] if like else [])]
    if name == "jpeg":
        _write_jpeg(path, samples, like, inputs, converted=tags is not None)
        return
    spec = _spec(name, samples, kind, depth, like, tags)
    if like is not None and name == "openexr":
        samples = _add_others(spec, samples, kind, like)
    _write(path, samples, spec, inputs)


def _add_others(spec: Any, samples: NDArray[Any], kind: str, like: PictureInfo) -> NDArray[Any]:
    count = samples.shape[2]
    names = like.channels[: len(like.channels) - len(like.other_names)] if like.format == "openexr" else ("R", "G", "B")
    layer = names[0].rpartition(".")[0]
    added = (f"{layer}.{c}" if layer else c for c in "RGBA"[len(names) : count])
    own = (*names[:count], *added)
    spec.channelnames = own
    if like.others is None or like.others.shape[:2] != samples.shape[:2]:
        return samples
    spec.nchannels = count + len(like.other_names)
    spec.channelnames = (*own, *like.other_names)
    spec.channelformats = (kind,) * count + like.other_types
    return np.concatenate([samples, like.others], axis=2)


def write_matte(
    path: Path | str,
    matte: Floats,
    like: PictureInfo | None = None,
    bits: int | None = None,
    inputs: Iterable[Path | str] = (),
) -> None:
    """Write a matte as a grey picture file: PNG and TIFF at 16 bits, EXR half, DPX 10, JPEG 8.

    :param matte: float32 (H, W), 0 to 1. :param bits: as for :func:`write_picture`.
    :param inputs: files that must not be overwritten; that of ``like`` is one of them.
    :raises OutputError: as :func:`write_picture`.
    """
    path = Path(path)
    name = picture_format(path)
    depth, floating = _output_depth(path, name, None, bits)
    samples, kind = _samples(as_plane(matte)[:, :, np.newaxis], depth, floating)
    inputs = [*inputs, *([like.path] if like else [])]
    if name == "jpeg":
        _write_jpeg(path, samples, None, inputs)
        return
    spec = _spec(name, samples, kind, depth, None)
    if like is not None and name == "openexr" and (like.width, like.height) == (spec.width, spec.height):
        spec.x, spec.y, spec.full_x, spec.full_y, spec.full_width, spec.full_height = like.window
    spec.channelnames = ("Y",)
    _write(path, samples, spec, inputs)
