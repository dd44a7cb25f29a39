"""Files: checks on inputs before they are read, and names that every library takes."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from ..sequences import InputError as InputError
from ..sequences import check_input as check_input


class TooLargeError(InputError):
    """A file that is larger than anything of its kind."""


def read_limited(path: Path | str | os.PathLike[str], most: int, what: str, fix: str = "") -> bytes:
    """Return the content of a small file.

    Raises InputError that names ``what`` it is, why it cannot be read and ``fix``, and TooLargeError above ``most``
    bytes, of which one more is read.
    """
    try:
        with open(path, "rb") as file:
            content = file.read(most + 1)
    except FileNotFoundError:
        raise InputError(f"The {what} {os.fspath(path)} does not exist. {fix or 'Check the name.'}") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"The {what} {os.fspath(path)} cannot be read: {reason}. {fix}".rstrip()) from None
    if len(content) > most:
        raise TooLargeError(f"{os.fspath(path)}: a {what} may have at most {most // 1024**2} MB.")
    return content


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
