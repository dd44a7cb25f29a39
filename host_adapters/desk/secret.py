"""The desk's secret and port, kept per clip for its owner alone: a page that is open finds a restarted desk again."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import stat
from dataclasses import dataclass
from pathlib import Path

from ...kernels.errors import InkarnatError
from ..writes import atomic

_SHORTEST = 24


@dataclass(frozen=True)
class Secret:
    """What opens the page of a desk: its port, 0 for any that is free, its path and its cookie."""

    port: int
    token: str
    cookie: str


def state_folder() -> Path:
    """Return the folder for what programs remember between runs. Source: XDG Base Directory Specification 0.8."""
    base = os.environ.get("XDG_STATE_HOME", "")
    return (Path(base) if os.path.isabs(base) else Path.home() / ".local" / "state") / "inkarnat" / "desk"


def _place(opened: str) -> Path:
    return state_folder() / (hashlib.sha256(opened.encode("utf-8", "surrogateescape")).hexdigest()[:32] + ".json")


def recall(opened: str) -> Secret:
    """Return the secret under which something was last opened, or a new one.

    A file that others may read or that is not ours is not believed.

    :param opened: what was opened: the paths of the clip and of the results.
    """
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        with _place(opened).open("rb") as file:
            about = os.fstat(file.fileno())
            ours = about.st_uid == os.getuid() and not stat.S_IMODE(about.st_mode) & 0o077
            known = json.loads(file.read(4096)) if ours else {}
        token, cookie, port = known["token"], known["cookie"], known["port"]
        strong = all(isinstance(part, str) and len(part) >= _SHORTEST for part in (token, cookie))
        if strong and isinstance(port, int) and 0 < port < 65536:
            return Secret(port, token, cookie)
    return Secret(0, secrets.token_urlsafe(24), secrets.token_urlsafe(32))


def remember(opened: str, secret: Secret) -> None:
    """Keep a secret, readable for its owner alone; where nothing can be written, a restart is a new address."""
    with contextlib.suppress(OSError, InkarnatError):
        place = _place(opened)
        place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with atomic(place) as temporary:
            descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                json.dump(vars(secret), file)
