"""Files: checks on inputs before they are read."""

from __future__ import annotations

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
