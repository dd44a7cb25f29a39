"""Files: checks on inputs before they are read, and names that every library takes."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from ..sequences import InputError as InputError
from ..sequences import check_input as check_input


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
