"""Run files: which clips were corrected by which graphs, so that a report can look at them again.

    {"inkarnat_run": 1, "title": "Workshop", "view": null, "person": {"name": "Ada", "angle": 122.4, …},
     "reference": "take1",
     "clips": [{"name": "take1", "files": "take1.mov", "graph": "take1.json", "frame": 1, "frames": "1-48",
                "light": "card", "solved_again": false, "carried": "…", "approved": false}]}

Paths count from the folder of the run file. Version 0.1.0 wrote ``resolved`` for ``solved_again``, which is still read.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from ...kernels.codes import SITING
from ...kernels.errors import InkarnatError
from ...nodes import SKIN_LINE
from ...nodes.declare import nearest
from .. import made
from ..graphs.errors import shown
from ..graphs.graph import Graph
from ..media.files import read_limited
from ..media.video_read import DAMAGED
from ..writes import json_text, reads, write_text
from .people import People, PeopleError, Person

RUN_FILE = "carry.json"
"""The run file that carrying leaves in its folder."""

_FORMAT = 1
_MOST_BYTES = 4 * 1024 * 1024
_MOST_CLIPS = 1000


class RunError(InkarnatError, ValueError):
    """A run file that is not valid."""


@dataclass(frozen=True)
class RunClip:
    """A corrected clip of a run.

    :ivar files: picture, sequence or video. :ivar graph: graph file. :ivar frame: to show, None for the first.
    :ivar frames: those that count, such as "1-48", None for all. :ivar light: how its light was balanced, in a word.
    :ivar carried: hash of the graph as it was carried: see :func:`graph_hash`; another one now was made by hand.
    :ivar approved: its graph is not touched any more. :ivar read_as: what is assumed of the clip, for
        :func:`~..media.clips.open_clip`; left out of the file where nothing is.
    """

    name: str
    files: str
    graph: str
    frame: int | None = None
    frames: str | None = None
    light: str = ""
    solved_again: bool = False
    carried: str = ""
    approved: bool = False
    read_as: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Run:
    """Corrected clips and what they are judged against: a person, or else what their graphs were solved for, or a line.

    :ivar line: the line used in the project, degrees.
    """

    clips: tuple[RunClip, ...]
    title: str = ""
    reference: str | None = None
    person: Person | None = None
    view: str | None = None
    folder: Path = Path()
    line: float = SKIN_LINE

    def __post_init__(self) -> None:
        names = [clip.name for clip in self.clips]
        if not names or len(names) > _MOST_CLIPS:
            raise RunError(f"A run has 1 to {_MOST_CLIPS} clips, not {len(names)}.")
        if len(set(names)) < len(names):
            raise RunError("Two clips of the run have the same name: give each its own.")
        if self.reference is not None and self.reference not in names:
            raise RunError(f"The run has no clip {self.reference!r}. {nearest(self.reference, names)}")

    def path(self, name: str) -> Path:
        """Return a path of the run as seen from here."""
        return self.folder / name

    @classmethod
    def load(cls, path: str | os.PathLike[str], replaced: bool = False) -> Run:
        """Read a run file. Raises InputError where it cannot be read and RunError where it is not valid.

        :param replaced: the same verb writes it anew, so it is no input that must stay as it is.
        """
        path = Path(path)
        if not replaced:
            reads(path)
        content = read_limited(path, _MOST_BYTES, "run")
        try:
            return cls.from_dict(json.loads(content.decode("utf-8-sig")), path.parent)
        except (RunError, PeopleError) as error:
            raise RunError(f"{path}: {error}") from None
        except (ValueError, RecursionError) as error:
            raise RunError(f"{path} is not valid JSON in UTF-8: {error}.") from None

    @classmethod
    def from_dict(cls, data: Any, folder: Path) -> Run:
        """Build from JSON data. Raises RunError where it is not valid."""
        if not isinstance(data, dict) or data.get("inkarnat_run") != _FORMAT:
            raise RunError(f'a run file begins {{"inkarnat_run": {_FORMAT}, …}}; this is {shown(data)}.')
        entries = data.get("clips")
        if not isinstance(entries, list):
            raise RunError(f'"clips" must be a list, not {shown(entries)}.')
        person = data.get("person")
        if person is not None:
            name = str(person.get("name", "")) if isinstance(person, dict) else ""
            figures = {k: v for k, v in person.items() if k != "name"} if isinstance(person, dict) else person
            person = People.from_dict({"inkarnat_people": 1, "people": {name: figures}}).known[0]
        clips = tuple(_read_clip(number, entry) for number, entry in enumerate(entries, start=1))
        line = data.get("line", SKIN_LINE)
        if isinstance(line, bool) or not isinstance(line, int | float) or not 0 <= line <= 360:
            raise RunError(f"line must be 0 to 360 degrees, not {shown(line)}.")
        title, reference, view = (_word(data, key) for key in ("title", "reference", "view"))
        return cls(clips, title or "", reference, person, view, folder, float(line))

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the run file, its paths as seen from its folder. Raises OutputError where it cannot be written."""
        folder = Path(path).parent
        write_text(path, json_text(self.to_dict(folder), indent=2) + "\n", made.RUN)

    def to_dict(self, folder: Path) -> dict[str, Any]:
        """Return the run as JSON data with paths that count from a folder."""

        def moved(name: str) -> str:
            whole = os.path.abspath(self.path(name))
            return os.path.relpath(whole, os.path.abspath(folder))

        clips = [asdict(clip) | {"files": moved(clip.files), "graph": moved(clip.graph)} for clip in self.clips]
        for entry in clips:
            if not entry["read_as"]:
                del entry["read_as"]
        view = self.view
        if view is not None and not view.startswith("ocio:"):
            view = moved(view)
        return {
            "inkarnat_run": _FORMAT,
            "title": self.title,
            "view": view,
            "person": None if self.person is None else asdict(self.person),
            "line": self.line,
            "reference": self.reference,
            "clips": clips,
        }


def reading_words(read_as: Mapping[str, Any]) -> list[str]:
    """Return what is assumed of a clip as the command line takes it.

    >>> reading_words({"studio": False, "interlaced": True})
    ['--range', 'full', '--fields', 'whole']
    """
    given = {
        "--matrix": read_as.get("standard"),
        "--range": {None: None, True: "studio", False: "full"}[read_as.get("studio")],
        "--siting": read_as.get("siting"),
        "--fields": "whole" if read_as.get("interlaced") else None,
        "--damaged": read_as.get("damaged"),
    }
    return [word for name, value in given.items() if value is not None for word in (name, value)]


def graph_hash(graph: Graph) -> str:
    """Return the SHA-256 of a graph's content, however its file is laid out."""
    text = json.dumps(graph.to_dict(), sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _word(data: dict[Any, Any], key: str) -> str | None:
    value = data.get(key)
    if value is not None and not isinstance(value, str):
        raise RunError(f"{key!r} must be text, not {shown(value)}.")
    return value


_KINDS: dict[str, tuple[type, ...]] = {
    "name": (str,),
    "files": (str,),
    "graph": (str,),
    "frame": (int, type(None)),
    "frames": (str, type(None)),
    "light": (str,),
    "solved_again": (bool,),
    "carried": (str,),
    "approved": (bool,),
    "read_as": (dict,),
}
_READ_AS: Mapping[str, tuple[Any, ...]] = {
    "standard": ("601", "709", "2020"),
    "studio": (True, False),
    "siting": tuple(SITING),
    "interlaced": (True, False),
    "damaged": tuple(DAMAGED),
}
_FORMER = {"resolved": "solved_again"}
"""Entries as version 0.1.0 called them."""


def _read_clip(number: int, entry: Any) -> RunClip:
    if not isinstance(entry, dict):
        raise RunError(f"clip {number} must be figures in braces, not {shown(entry)}.")
    entry = {_FORMER.get(key, key): value for key, value in entry.items()}
    known: Sequence[str] = [each.name for each in fields(RunClip)]
    for key, value in entry.items():
        if key not in known:
            raise RunError(f"clip {number} has no entry {shown(key)}. {nearest(str(key), known)}")
        if not isinstance(value, _KINDS[key]) or (key == "frame" and isinstance(value, bool)):
            raise RunError(f"clip {number}: {key} cannot be {shown(value)}.")
    for key, value in entry.get("read_as", {}).items():
        if key not in _READ_AS or value not in _READ_AS[key]:
            raise RunError(f"clip {number}: read_as has {', '.join(_READ_AS)}; {shown(key)} cannot be {shown(value)}.")
    for key in ("name", "files", "graph"):
        if not entry.get(key):
            raise RunError(f"clip {number} lacks its {key}.")
    return RunClip(**entry)
