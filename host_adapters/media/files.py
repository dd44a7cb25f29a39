"""Files: checks on inputs before they are read."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from ..sequences import InputError as InputError


def check_input(path: Path | str) -> Path:
    """Return the path after checking that it is a file with something in it.

    Raises InputError for a missing, empty or unreadable file or a folder.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder: name a file, or a sequence such as {path / 'shot.%04d.exr'}.")
        with path.open("rb") as file:
            if not file.read(1):
                raise InputError(f"{path} is empty (0 bytes): copy or export it again.")
    except FileNotFoundError:
        raise InputError(f"{path} does not exist: check the name.") from None
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from None
    return path


@contextlib.contextmanager
def plain_name(path: Path) -> Iterator[str]:
    """Give a name under which a library that takes UTF-8 alone finds the file; what it writes there is that file."""
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:
        with tempfile.TemporaryDirectory(prefix="inkarnat-") as folder:
            link = Path(folder, f"plain{path.suffix}")
            os.symlink(os.path.abspath(path), link)
            yield str(link)
    else:
        yield str(path)
