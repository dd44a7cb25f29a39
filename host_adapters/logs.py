"""The log: quiet unless a person asks for it, on the error stream, in this process and in those that it starts.

Every room logs below the name ``inkarnat``. A warning is a note to the person at work, which the command line prints;
everything else is for whoever looks for a fault.
"""

from __future__ import annotations

import logging
import os

VARIABLE = "INKARNAT_DEBUG"
"""Set to 1, it shows the log with every traceback."""

_FORMAT = "inkarnat: %(asctime)s.%(msecs)03d %(levelname)s %(name)s: %(message)s"


def is_shown() -> bool:
    """Tell whether the log is to be shown."""
    return os.environ.get(VARIABLE) == "1"


def ask() -> None:
    """Have the log shown by this process, after :func:`show`, and by all that it starts from now on."""
    os.environ[VARIABLE] = "1"


def show() -> None:
    """Show the log on the error stream where it is asked for; asked twice, it is shown once."""
    root = logging.getLogger("inkarnat")
    if not is_shown() or any(handler.get_name() == VARIABLE for handler in root.handlers):
        return
    handler = logging.StreamHandler()
    handler.set_name(VARIABLE)
    handler.setFormatter(logging.Formatter(_FORMAT, "%H:%M:%S"))
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
