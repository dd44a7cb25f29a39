"""People: approved readings of a person's skin in a small project file, and how far other readings lie from them.

{"inkarnat_people": 1,
 "people": {"Ada": {"angle": 122.4, "ratio": 0.214, "luma": 0.52, "black": 0.0,
                    "clip": "approved.mov", "frame": 12, "frame_sha256": "…"}}}
"""

from __future__ import annotations

import functools
import hashlib
import json
import math
import os
import warnings
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats
from ...kernels.colour import decode, ycbcr_matrix
from ...kernels.errors import InkarnatError
from ...nodes import SkinReading, SkinTarget
from ...nodes.declare import nearest
from ..graphs.errors import shown
from ..media.files import InputError
from ..writes import atomic

PROJECT_FILE = "inkarnat-people.json"
"""The project file that is used where none is named."""

_FORMAT = 1
_MOST_BYTES = 4 * 1024 * 1024
_LONGEST_NAME = 80


class PeopleError(InkarnatError, ValueError):
    """A person that is not known or already there, or a project file that is not valid."""


@dataclass(frozen=True)
class Skin:
    """Where the centre of some skin lies: what can be compared between frames, clips and people.

    :ivar angle: degrees in the BT.709 Cb/Cr plane. :ivar ratio: chroma/luma. :ivar luma: its median, 0 to 1.
    :ivar black: the picture's black level, subtracted from luma before chroma is divided by it.
    """

    angle: float
    ratio: float
    luma: float
    black: float = 0.0

    @classmethod
    def of(cls, reading: SkinReading) -> Skin:
        """Return the centre of a reading."""
        return cls(reading.angle, reading.ratio, reading.luma[1], reading.black)

    def rgb(self, luma: float | None = None) -> NDArray[np.float64]:
        """Return the colour as R′G′B′, float64 (3,), at its own luma or another one (0 to 1)."""
        level = self.luma if luma is None else luma
        chroma = self.ratio * max(level - self.black, 0.0)
        turn = math.radians(self.angle)
        ycc = np.array([level, chroma * math.cos(turn), chroma * math.sin(turn)])
        result: NDArray[np.float64] = np.linalg.solve(ycbcr_matrix("709"), ycc)
        return result

    def target(self) -> SkinTarget:
        """Return the target that brings other skin to this hue and saturation."""
        return SkinTarget(angle=self.angle, ratio=self.ratio)


@dataclass(frozen=True)
class Person(Skin):
    """An approved reading under a name.

    :ivar name: of the person. :ivar clip, frame: where the reading was taken, for people to find it again.
    :ivar frame_sha256: hash of that frame's pixels: see :func:`frame_hash`.
    """

    name: str = ""
    clip: str = ""
    frame: int = 1
    frame_sha256: str = ""


# --- distances ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Distance:
    """How far one skin lies from another.

    :ivar angle: degrees, above 0 yellower, below 0 redder than the other. :ivar ratio: factor on its chroma/luma.
    :ivar delta_e: CIEDE2000 between the two at the luma of the other: exposure does not count.
    :ivar luma: difference in luma, above 0 brighter; information only.
    """

    angle: float
    ratio: float
    delta_e: float
    luma: float

    def words(self) -> str:
        """Say the distance in words."""
        side = "yellower" if self.angle > 0 else "redder"
        hue = "the same hue" if abs(self.angle) < 0.05 else f"{abs(self.angle):.1f}° {side}"
        return f"{hue}, saturation × {self.ratio:.2f}, ΔE00 {self.delta_e:.2f} at equal luma"

    def as_dict(self) -> dict[str, float]:
        """Return the figures as plain JSON data."""
        return asdict(self)


def distance(skin: Skin, other: Skin) -> Distance:
    """Return how far ``skin`` lies from ``other``.

    The colours are taken as they show on a BT.1886 display with BT.709 primaries; the difference is CIEDE2000
    (ISO/CIE 11664-6) through colour-science.
    """
    return Distance(
        angle=(skin.angle - other.angle + 180) % 360 - 180,
        ratio=skin.ratio / max(other.ratio, 1e-6),
        delta_e=_delta_e(skin.rgb(other.luma), other.rgb()),
        luma=skin.luma - other.luma,
    )


def _delta_e(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it remarks on packages it could also use
        import colour
    first_lab, second_lab = (
        colour.XYZ_to_Lab(_rgb_to_xyz() @ _displayed(rgb), np.array([0.3127, 0.3290])) for rgb in (first, second)
    )
    return float(colour.delta_E(first_lab, second_lab, method="CIE 2000"))


def _displayed(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    signal = np.clip(rgb, 0, 1).astype(np.float32)[None, None]
    light: NDArray[np.float64] = np.asarray(decode(signal, "bt1886")[0, 0], np.float64)
    return light


@functools.lru_cache(maxsize=1)
def _rgb_to_xyz() -> NDArray[np.float64]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    matrix: NDArray[np.float64] = colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ
    return matrix


def frame_hash(picture: Floats) -> str:
    """Return the SHA-256 of a picture's pixels (float32, rows from the top) with its shape before them."""
    digest = hashlib.sha256(f"{'×'.join(map(str, picture.shape))} float32\n".encode())
    digest.update(np.ascontiguousarray(picture, "<f4").tobytes())
    return digest.hexdigest()


# --- the project file ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class People:
    """The people of a project, by name; a value: adding and removing return a new one."""

    known: tuple[Person, ...] = ()

    @classmethod
    def load(cls, path: str | os.PathLike[str], *, may_lack: bool = False) -> People:
        """Read a project file; where ``may_lack``, a file that does not exist holds nobody.

        Raises InputError where it cannot be read and PeopleError where it is not valid.
        """
        path = Path(path)
        if may_lack and not path.exists():
            return cls()
        try:
            with path.open("rb") as file:
                content = file.read(_MOST_BYTES + 1)
        except OSError as error:
            raise InputError(
                f"The project file {path} cannot be read: {error.strerror or error}. "
                "Make it with `inkarnat person add`, or name another with --project."
            ) from None
        if len(content) > _MOST_BYTES:
            raise PeopleError(f"{path}: a project file may have at most {_MOST_BYTES // 1024**2} MB.")
        try:
            return cls.from_dict(json.loads(content.decode("utf-8-sig")))
        except PeopleError as error:
            raise PeopleError(f"{path}: {error}") from None
        except (ValueError, RecursionError) as error:
            raise PeopleError(f"{path} is not valid JSON in UTF-8: {error}.") from None

    @classmethod
    def from_dict(cls, data: Any) -> People:
        """Build from JSON data. Raises PeopleError where it is not valid."""
        if not isinstance(data, dict) or data.get("inkarnat_people") != _FORMAT:
            raise PeopleError(f'a project file begins {{"inkarnat_people": {_FORMAT}, …}}; this is {shown(data)}.')
        entries = data.get("people", {})
        if not isinstance(entries, dict):
            raise PeopleError(f'"people" must be names in braces, not {shown(entries)}.')
        return cls(tuple(_read_person(name, entry) for name, entry in entries.items()))

    def to_dict(self) -> dict[str, Any]:
        """Return the people as JSON data."""
        people = {person.name: {k: v for k, v in asdict(person).items() if k != "name"} for person in self.known}
        return {"inkarnat_people": _FORMAT, "people": people}

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the project file: it appears whole or not at all. Raises OutputError where it cannot be written."""
        with atomic(os.fspath(path)) as temporary:
            temporary.write_text(json.dumps(self.to_dict(), indent=2, ensure_ascii=False) + "\n", encoding="utf-8")

    def find(self, name: str) -> Person:
        """Return a person. Raises PeopleError that names the nearest one."""
        for person in self.known:
            if person.name == name:
                return person
        names = [person.name for person in self.known]
        mend = nearest(name, names) or (f"There are: {', '.join(names)}." if names else "It holds nobody yet.")
        raise PeopleError(f"The project file has no person {name!r}. {mend}")

    def adding(self, person: Person, replace: bool = False) -> People:
        """Return the people with one more. Raises PeopleError for an unusable name, or one that is taken."""
        _check_name(person.name)
        others = tuple(known for known in self.known if known.name != person.name)
        if len(others) < len(self.known) and not replace:
            raise PeopleError(f"{person.name!r} has an approved reading already: use --replace, or another name.")
        return People((*others, person))

    def removing(self, name: str) -> People:
        """Return the people without one. Raises PeopleError where there is no such person."""
        gone = self.find(name)
        return People(tuple(person for person in self.known if person is not gone))


def _check_name(name: str) -> None:
    if not name.strip() or len(name) > _LONGEST_NAME or not name.isprintable():
        raise PeopleError(f"A person's name must be 1 to {_LONGEST_NAME} printable characters, not {shown(name)}.")


_SPANS = {"angle": (-360.0, 720.0), "ratio": (1e-6, 2.0), "luma": (-0.5, 2.0), "black": (-0.5, 0.5)}


def _read_person(name: str, entry: Any) -> Person:
    _check_name(name)
    if not isinstance(entry, Mapping):
        raise PeopleError(f"person {name!r} must be figures in braces, not {shown(entry)}.")
    known = {field.name for field in fields(Person)} - {"name"}
    for key in entry:
        if key not in known:
            raise PeopleError(f"person {name!r} has no entry {shown(key)}. {nearest(str(key), known)}")
    frame = entry.get("frame", 1)
    if isinstance(frame, bool) or not isinstance(frame, int):
        raise PeopleError(f"person {name!r}: frame must be a whole number, not {shown(frame)}.")
    angle, ratio, luma, black = (_figure(name, key, entry.get(key), span) for key, span in _SPANS.items())
    clip, digest = (str(entry.get(key, "")) for key in ("clip", "frame_sha256"))
    return Person(angle, ratio, luma, black, name, clip, frame, digest)


def _figure(name: str, key: str, value: Any, span: tuple[float, float]) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool) and span[0] <= value <= span[1]
    if not good:
        raise PeopleError(f"person {name!r}: {key} must be a number {span[0]:g} to {span[1]:g}, not {shown(value)}.")
    return float(value)
