"""Plates known by their content: what each frame of a run was made from, and whether that is still what lies there.

Pictures of a sequence are hashed one by one as they are read, a container as a whole beside the work. Whether a file
changed is asked of the system first: size, times, inode, device and machine as they were mean the same content. Where
any of these differs, the hash decides.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import socket
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..graphs.graph import Graph
from ..graphs.runner import Runner
from ..media.clips import Clip, SequenceClip, VideoClip

WHOLE = "whole"
"""What stands for the number of a frame where a container is known as a whole."""

_BLOCK = 1 << 20

Key = tuple[str, str]
"""A source, and the number of a frame of it, or WHOLE."""

Used = dict[str, dict[str, str]]
"""What a frame was made from: content by source and number. A container's is its :attr:`Look.token`."""


@dataclass(frozen=True)
class Look:
    """What the system says of a file: size, times of change in nanoseconds, inode, device and machine."""

    size: int
    changed: int
    created: int
    inode: int
    device: int
    host: str

    @classmethod
    def of(cls, path: Path) -> Look | None:
        """Look at a file; None where it is not there."""
        try:
            found = os.stat(path)
        except OSError:
            return None
        return cls(
            found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino, found.st_dev, socket.gethostname()
        )

    @property
    def token(self) -> str:
        """A short name for a file that looks like this, the same on every machine that sees it."""
        text = f"{self.size} {self.changed} {self.created} {self.inode}"
        return "=" + hashlib.sha256(text.encode()).hexdigest()[:31]


@dataclass(frozen=True)
class Plate:
    """A plate as it was read.

    :ivar content: the SHA-256 of the file (32 hexadecimal digits of it), or None where it is not known.
    """

    look: Look
    content: str | None

    def as_list(self) -> list[Any]:
        """Return it as plain JSON data."""
        look = self.look
        return [look.size, look.changed, look.created, look.inode, look.device, look.host, self.content]

    @classmethod
    def from_list(cls, data: list[Any]) -> Plate:
        """Build it from JSON data. Raises TypeError, ValueError for anything else."""
        *look, content = data
        return cls(Look(*look), None if content is None else str(content))


def content_of(path: Path, go_on: Callable[[], bool] = lambda: True) -> str | None:
    """Return the hash of a file's content; None where it cannot be read or nobody waits for it any more."""
    digest = hashlib.sha256()
    try:
        with open(path, "rb", buffering=0) as file:
            while block := file.read(_BLOCK):
                digest.update(block)
                if not go_on():
                    return None
    except OSError:
        return None
    return digest.hexdigest()[:32]


# --- while frames are made ----------------------------------------------------------------------------------


class Watch:
    """Takes down what the pictures of clips were read from, in the process that reads them."""

    def __init__(self, graph: Graph, outputs: Iterable[str], clips: Mapping[str, Clip]) -> None:
        self.reach = Reach(graph, outputs, clips)
        self.clips = clips
        self.plates: dict[Key, Plate] = {}
        for name, clip in clips.items():
            if isinstance(clip, SequenceClip):
                clip.watch = _watching(self, name, clip)
            elif isinstance(clip, VideoClip):
                self._take(name, WHOLE, clip.path, hashed=False)
            else:  # a single picture has been read by now
                self._take(name, "1", clip.path, hashed=True)

    def _take(self, name: str, number: str, path: Path, hashed: bool, before: Look | None = None) -> None:
        look = before or Look.of(path)
        if look is None:
            return
        known = self.plates.get((name, number))
        if known is not None and known.look == look and known.content is not None:
            return
        content = content_of(path) if hashed else None
        # What changed while it was read is of no known content, and is read again when a run is resumed.
        self.plates[name, number] = Plate(look, content if Look.of(path) == look else None)

    def used(self, frame: int) -> Used:
        """Return what a frame was made from."""
        used: Used = {}
        for name, number in self.reach(frame):
            plate = self.plates.get((name, number))
            if plate is not None:
                content = plate.look.token if number == WHOLE else plate.content
                used.setdefault(name, {})[number] = content or "?"
        return used

    def of(self, frame: int) -> dict[Key, Plate]:
        """Return the plates of a frame."""
        return {key: self.plates[key] for key in self.reach(frame) if key in self.plates}


def _watching(watch: Watch, name: str, clip: SequenceClip) -> Callable[[int], contextlib.AbstractContextManager[None]]:
    @contextlib.contextmanager
    def reading(frame: int) -> Iterator[None]:
        path = clip.pattern.path(frame)
        before = Look.of(path)
        yield
        watch._take(name, str(frame), path, hashed=True, before=before)

    return reading


class Reach:
    """Which plates each frame of a job is made from, the neighbours of nodes over several frames included."""

    def __init__(self, graph: Graph, outputs: Iterable[str], clips: Mapping[str, Clip]) -> None:
        self.runner, self.clips = Runner(graph), clips
        self.outputs = [single for name in outputs for single in name.split("+")]
        self._still = {(0, 0)} == {step.node.frames_needed() for step in graph.order(self.outputs)} and not any(
            step.keyed for step in graph.steps
        )
        self._sources = graph.sources_of(self.outputs)

    def __call__(self, frame: int) -> list[Key]:
        """Return the keys of a frame's plates."""
        needs = [(name, frame) for name in self._sources] if self._still else self.runner.needs(frame, self.outputs)
        return list(dict.fromkeys((name, self._number(name, at)) for name, at in needs if name in self.clips))

    def _number(self, name: str, frame: int) -> str:
        clip = self.clips[name]
        if isinstance(clip, VideoClip):
            return WHOLE
        return str(min(max(frame, clip.frames[0]), clip.frames[-1]))


class Hasher(threading.Thread):
    """Hashes the containers of a run as a whole, beside the work on it."""

    def __init__(self, clips: Mapping[str, Clip], known: Known) -> None:
        super().__init__(name="inkarnat-hash", daemon=True)
        self._left = {name: clip.path for name, clip in clips.items() if isinstance(clip, VideoClip)}
        self._known, self._wanted = known, True
        self.found: dict[Key, Plate] = {}

    def run(self) -> None:
        """Hash one after the other; one that changes meanwhile is left out."""
        for name, path in self._left.items():
            look = Look.of(path)
            if look is None or self._known.content(look) is not None:
                continue
            content = content_of(path, lambda: self._wanted)
            if content is not None and Look.of(path) == look:
                self.found[name, WHOLE] = Plate(look, content)

    def stop(self, patience: float) -> None:
        """Wait so many seconds for what is left, and then no more."""
        if self.is_alive():
            self.join(patience)
        self._wanted = False
        if self.is_alive():
            self.join()


# --- when a run is resumed ----------------------------------------------------------------------------------


class Known:
    """The plates that journals tell of, and those that lie there now."""

    def __init__(self) -> None:
        self.plates: list[Plate] = []
        self._by_look: dict[Look, str] = {}
        self._by_token: dict[str, Plate] = {}

    def add(self, plate: Plate) -> bool:
        """Take in a plate; False where it says nothing new."""
        token = plate.look.token
        if plate.content is None:
            if token in self._by_token:
                return False
        elif self._by_look.get(plate.look) == plate.content:
            return False
        else:
            self._by_look[plate.look] = plate.content
        known = self._by_token.get(token)
        if known is None or known.content is None:
            self._by_token[token] = plate
        return True

    def content(self, look: Look) -> str | None:
        """Return the content of a file that looks so, where it is known."""
        return self._by_look.get(look)

    def by_token(self, token: str) -> Plate | None:
        """Return the plate that a token stands for."""
        return self._by_token.get(token)


class Present:
    """The plates as they lie there now, each looked at once."""

    def __init__(self, clips: Mapping[str, Clip], known: Known) -> None:
        self.clips, self.known = clips, known
        self.fresh: dict[Key, Plate] = {}
        self._looks: dict[Key, Look | None] = {}
        self._contents: dict[Key, str | None] = {}

    def path(self, key: Key) -> Path:
        """Return the file of a plate."""
        clip = self.clips[key[0]]
        return clip.pattern.path(int(key[1])) if isinstance(clip, SequenceClip) else clip.path

    def look(self, key: Key) -> Look | None:
        """Return what the system says of a plate's file."""
        if key not in self._looks:
            self._looks[key] = Look.of(self.path(key))
        return self._looks[key]

    def content(self, key: Key) -> str | None:
        """Return a plate's content: as it is known by its look, or else read."""
        look = self.look(key)
        if look is None:
            return None
        if key not in self._contents:
            known = self.known.content(look)
            content = known or content_of(self.path(key))
            if known is None and content is not None:
                self.fresh[key] = Plate(look, content)
            self._contents[key] = content
        return self._contents[key]

    def is_same(self, key: Key, used: str) -> bool:
        """Tell whether a plate is what it was when a frame was made from it."""
        if key[0] not in self.clips:
            return False
        if not used.startswith("="):
            return self.content(key) == used
        then, look = self.known.by_token(used), self.look(key)
        if then is None or look is None:  # a part of a run keeps no journal
            return look is not None and look.token == used
        if then.look == look:
            return True
        return then.content is not None and self.content(key) == then.content

    def changed(self, used: Iterable[tuple[Key, str]], threads: Executor) -> set[tuple[Key, str]]:
        """Return those of the plates that frames were made from which are not what they were."""
        asked = list(used)
        answers = threads.map(lambda item: self.is_same(*item), asked)
        return {item for item, same in zip(asked, answers, strict=True) if not same}

    def is_older(self, keys: Iterable[Key], moment: int) -> bool:
        """Tell whether none of the plates was touched since a moment, in nanoseconds."""
        looks = [self.look(key) for key in keys]
        return all(look is not None and max(look.changed, look.created) < moment for look in looks)


def pairs(used: Mapping[str, Mapping[str, str]]) -> Iterator[tuple[Key, str]]:
    """Give what a frame was made from, one plate after the other."""
    for name, numbers in used.items():
        for number, content in numbers.items():
            yield (name, number), content


def summary(used: Iterable[Used]) -> str:
    """Return one hash for what many frames were made from."""
    return hashlib.sha256(json.dumps(list(used), sort_keys=True).encode()).hexdigest()[:32]
