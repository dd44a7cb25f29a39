"""People: approved readings of a person's skin in a small project file.

{"inkarnat_people": 1,
 "line": 123.0,
 "people": {"Ada": {"angle": 122.4, "ratio": 0.214, "luma": 0.52, "black": 0.0,
                    "clip": "approved.mov", "frame": 12, "frame_sha256": "…", "view": ""}}}

``line`` is the line that skin without a person of its own is judged against in this project, 123 where it is left out.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...nodes import SKIN_LINE, Skin
from ...nodes.declare import nearest
from .. import made
from ..graphs.errors import shown
from ..locks import Lock
from ..media.files import read_limited
from ..writes import json_text, write_text

PROJECT_FILE = "inkarnat-people.json"
"""The project file that is used where none is named."""

_FORMAT = 1
_MOST_BYTES = 4 * 1024 * 1024
_LONGEST_NAME = 80
_PATIENCE = 20.0
"""Seconds that are waited for another who changes the project file."""


class PeopleError(InkarnatError, ValueError):
    """A person that is not known or already there, or a project file that is not valid."""


@dataclass(frozen=True)
class Person(Skin):
    """An approved reading under a name.

    :ivar name: of the person. :ivar clip, frame: where the reading was taken, for people to find it again.
    :ivar frame_sha256: hash of that frame's pixels: see :func:`frame_hash`. :ivar view: what it was seen through: see
        :func:`~.viewing.view_id`; "" for no view, None where that was not kept, by version 0.1.0.
    :ivar graph: file of the graph whose result was approved; "" where the frame was, as it is.
    """

    name: str = ""
    clip: str = ""
    frame: int = 1
    frame_sha256: str = ""
    view: str | None = None
    graph: str = ""


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
    line: float = SKIN_LINE

    @classmethod
    def load(cls, path: str | os.PathLike[str], *, may_lack: bool = False) -> People:
        """Read a project file; where ``may_lack``, a file that does not exist holds nobody.

        Raises InputError where it cannot be read and PeopleError where it is not valid.
        """
        path = Path(path)
        if may_lack and not path.exists():
            return cls()
        fix = "Make it with `inkarnat person add`, or name another with --project."
        content = read_limited(path, _MOST_BYTES, "project file", fix)
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
        line = _figure("line", "line", data.get("line", SKIN_LINE), (0.0, 360.0))
        entries = data.get("people", {})
        if not isinstance(entries, dict):
            raise PeopleError(f'"people" must be names in braces, not {shown(entries)}.')
        return cls(tuple(_read_person(name, entry) for name, entry in entries.items()), line)

    def to_dict(self) -> dict[str, Any]:
        """Return the people as JSON data."""
        people = {person.name: _entry(person) for person in self.known}
        line = {} if self.line == SKIN_LINE else {"line": self.line}
        return {"inkarnat_people": _FORMAT, **line, "people": people}

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the project file: it appears whole or not at all. Raises OutputError where it cannot be written."""
        write_text(path, json_text(self.to_dict(), indent=2) + "\n", made.PEOPLE)

    @classmethod
    def change(cls, path: str | os.PathLike[str], how: Callable[[People], People], *, may_lack: bool = False) -> People:
        """Load, change and save a project file while nobody else can; return the people.

        Waits some seconds for another that is at it. Raises what loading, ``how`` and saving raise.
        """
        with Lock(Path(path), "being changed by another run").within(_PATIENCE):
            people = how(cls.load(path, may_lack=may_lack))
            people.save(path)
        return people

    def find(self, name: str) -> Person:
        """Return a person. Raises PeopleError that names the nearest one."""
        for person in self.known:
            if person.name == name:
                return person
        names = [person.name for person in self.known]
        fix = nearest(name, names) or (f"There are: {', '.join(names)}." if names else "It holds nobody yet.")
        raise PeopleError(f"The project file has no person {name!r}. {fix}")

    def adding(self, person: Person, replace: bool = False) -> People:
        """Return the people with one more. Raises PeopleError for an unusable name, or one that is taken."""
        _check_name(person.name)
        others = tuple(known for known in self.known if known.name != person.name)
        if len(others) < len(self.known) and not replace:
            raise PeopleError(f"{person.name!r} has an approved reading already: use --replace, or another name.")
        for other in others:
            if _alike(other.name) == _alike(person.name):
                raise PeopleError(
                    f"{person.name!r} reads like {other.name!r}, who is there: use that name, or another."
                )
        return dataclasses.replace(self, known=(*others, person))

    def removing(self, name: str) -> People:
        """Return the people without one. Raises PeopleError where there is no such person."""
        gone = self.find(name)
        return dataclasses.replace(self, known=tuple(person for person in self.known if person is not gone))


def _entry(person: Person) -> dict[str, Any]:
    left_out = {"name"} | ({"view"} if person.view is None else set()) | (set() if person.graph else {"graph"})
    return {key: value for key, value in asdict(person).items() if key not in left_out}


def _alike(name: str) -> str:
    """Return what two names share that differ in capitals, blanks or the way their letters are encoded alone."""
    return "".join(unicodedata.normalize("NFKC", name).casefold().split())


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
    clip, digest, graph = (str(entry.get(key, "")) for key in ("clip", "frame_sha256", "graph"))
    view = entry.get("view")
    if view is not None and not isinstance(view, str):
        raise PeopleError(f"person {name!r}: view must be text, not {shown(view)}.")
    return Person(angle, ratio, luma, black, name, clip, frame, digest, view, graph)


def _figure(name: str, key: str, value: Any, span: tuple[float, float]) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool) and span[0] <= value <= span[1]
    if not good:
        raise PeopleError(f"person {name!r}: {key} must be a number {span[0]:g} to {span[1]:g}, not {shown(value)}.")
    return float(value)
