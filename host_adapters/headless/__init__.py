"""Names of version 0.1.0: modules that moved can be imported by their old names for one release, with a warning.

``python -m inkarnat.host_adapters.headless.cli`` works as before. Everything else: see :data:`MOVED`.
"""

from __future__ import annotations

import importlib
import importlib.abc
import importlib.machinery
import sys
import warnings
from collections.abc import Mapping, Sequence
from types import CodeType, ModuleType
from typing import Any

_HERE = __name__
_ROOMS = __name__.rpartition(".")[0]

_VERBS = (
    *("bench", "bench_accuracy", "carry", "check", "correct", "cut", "demo", "desk", "export", "farm", "footage"),
    *("job", "measure", "nodes", "openfx", "options", "person", "report", "track"),
)

MOVED: Mapping[str, tuple[str, ...]] = {
    **{name: (f"commands.{name}",) for name in ("cli", "console")},
    **{name: (f"graphs.{name}",) for name in ("errors", "export", "graph", "keyframes", "outputs", "pipeline")},
    **{name: (f"graphs.{name}",) for name in ("runner", "standard", "upgrades")},
    **{name: (f"shots.{name}",) for name in ("carry", "drift", "people", "readings", "regions", "runs", "sampling")},
    **{name: (f"shots.{name}",) for name in ("seen", "timeline", "track", "viewing")},
    "clips": ("media.clips", "sequences"),
    "colour_spaces": ("graphs.colour_spaces", "media.colour_tags"),
    "faces": ("shots.faces", "detect.faces"),
    "files": ("media.files", "writes"),
    "locks": ("writes",),
    "pictures": ("media.pictures",),
    "video": ("media.video_format", "media.video_read", "media.video_write"),
    "commands": (),
    **{f"commands.{name}": (f"commands.{name}",) for name in _VERBS},
    "commands.render": ("commands.render", "graphs.rendering"),
    "commands.warm": ("commands.warm", "warm_up"),
}
"""Old module, below this package → where its names are now, below ``inkarnat.host_adapters``."""


class _Old(ModuleType):
    """A module of an old name: whatever is asked of it is looked up where it is now."""

    def __getattr__(self, name: str) -> Any:
        if not name.startswith("__"):
            for place in MOVED[self.__name__.removeprefix(_HERE + ".")]:
                module = importlib.import_module(f"{_ROOMS}.{place}")
                if hasattr(module, name):
                    return getattr(module, name)
        raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")


class _Finder(importlib.abc.MetaPathFinder, importlib.abc.InspectLoader):
    """Finds and loads modules of old names."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Return how to load an old name, None for any other."""
        package, _, old = fullname.partition(_HERE + ".")
        if package or old not in MOVED:
            return None
        return importlib.machinery.ModuleSpec(fullname, self, is_package=not MOVED[old])

    def create_module(self, spec: importlib.machinery.ModuleSpec) -> ModuleType:
        """Return the module."""
        return _Old(spec.name)

    def exec_module(self, module: ModuleType) -> None:
        """Say where its names are now."""
        places = [f"{_ROOMS}.{place}" for place in MOVED[module.__name__.removeprefix(_HERE + ".")]]
        if places:
            text = f"{module.__name__} has moved to {' and '.join(places)}; the old name goes with the next release."
            warnings.warn(text, DeprecationWarning, stacklevel=2)

    def get_source(self, fullname: str) -> str:
        """Return the program that ``python -m`` runs."""
        (place, *_) = MOVED[fullname.removeprefix(_HERE + ".")] or (_HERE,)
        moved = f"{fullname} has moved to {_ROOMS}.{place}; the old name goes with the next release."
        return (
            f"import runpy, warnings\nwarnings.warn({moved!r}, DeprecationWarning)\n"
            f"runpy.run_module({f'{_ROOMS}.{place}'!r}, run_name='__main__', alter_sys=True)\n"
        )

    def get_code(self, fullname: str) -> CodeType:
        """Return the same, compiled."""
        return compile(self.get_source(fullname), f"<{fullname}>", "exec")

    def is_package(self, fullname: str) -> bool:
        """Tell whether an old name held modules."""
        return not MOVED[fullname.removeprefix(_HERE + ".")]


if not any(type(finder).__name__ == _Finder.__name__ for finder in sys.meta_path):
    sys.meta_path.append(_Finder())
