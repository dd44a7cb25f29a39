"""Building the bundle: launcher, launch.cfg and Info.plist in the folders that the standard asks for."""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import os
import platform
import plistlib
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from ...kernels.errors import InkarnatError
from ...nodes import NODES
from ...nodes.declare import Node
from .controls import identifier, told_in, with_earlier
from .description import description, digest
from .icons import icon_of

SOURCES = Path(__file__).parent
MODULE = "inkarnat.host_adapters.openfx.plugin"


class BundleError(InkarnatError):
    """The bundle cannot be built here, or cannot be loaded."""

    exit_code = 5


class NoBundleError(BundleError):
    """There is no bundle where one is to be taken away."""

    exit_code = 3


@dataclass(frozen=True)
class Built:
    """A bundle. :ivar rebuilt: whether anything was written. :ivar effects: id → version as text."""

    path: Path
    rebuilt: bool
    effects: Mapping[str, str]


# --- the machine --------------------------------------------------------------------------------------------

_MACHINES = {"amd64": "x86-64", "x86_64": "x86-64", "arm64": "aarch64"}
TESTED = ("Linux-x86-64", "Linux-aarch64")
"""The architectures on which the launcher has been tried; the second under user-mode emulation only."""


def architecture(system: str = sys.platform, machine: str = platform.machine()) -> str:
    """Return the standard's name of the folder for this machine's binary.

    MacOS and Win64 are prepared, but untested. Raises BundleError for machines that the standard does
    not name.

    Source: OpenFX 1.5, "Packaging OFX plug-ins".
    """
    machine = _MACHINES.get(machine.lower(), machine.lower())
    if system.startswith("linux"):
        return f"Linux-{machine}"
    if system == "darwin":
        return "MacOS"
    if system == "win32" and machine == "x86-64":
        return "Win64"
    raise BundleError(
        f"OpenFX bundles can be built on Linux, macOS and Windows (64 bits), not on {system} ({machine}): the standard "
        "names no folder for it."
    )


def find_library() -> Path:
    """Return the shared library of this Python. Raises BundleError where it was built without one."""
    if sys.platform == "win32":
        return Path(sys.base_prefix, f"python{sys.version_info[0]}{sys.version_info[1]}.dll")
    known = sysconfig.get_config_vars()
    folders = [known.get("LIBDIR"), Path(sys.base_prefix, "lib"), known.get("LIBPL")]
    names = [known.get("INSTSONAME"), known.get("LDLIBRARY")]
    for folder in filter(None, folders):
        for name in filter(None, names):
            place = Path(folder, name)
            if place.is_file() and place.suffix != ".a":
                return place.resolve()
    raise BundleError(
        f"{sys.executable} has no shared library (libpython{sys.version_info[0]}.{sys.version_info[1]}.so), which a "
        "host needs to run Python inside itself: use a Python built with --enable-shared, as Linux distributions "
        "and conda ship it."
    )


def find_compiler() -> list[str]:
    """Return the command of a C compiler: ``$CC``, ``cc``, or the one of the ziglang package."""
    chosen = os.environ.get("CC", "").split()
    for command in (chosen, ["cc"], ["gcc"], ["clang"]):
        if command and shutil.which(command[0]):
            return command
    if importlib.util.find_spec("ziglang"):
        return [sys.executable, "-m", "ziglang", "cc"]
    raise BundleError(
        "There is no C compiler for the launcher: install one (the package gcc or clang), or run "
        "`pip install 'inkarnat[openfx]'`, which brings a small one along."
    )


def compile_c(source: Path, target: Path, *, shared: bool) -> None:
    """Compile one C file, as a shared library or as a program. Raises BundleError with what the compiler said."""
    compiler = find_compiler()
    command = [*compiler, "-O2", "-std=c11", "-o", str(target), str(source)]
    if shared and sys.platform == "darwin":
        form = "-dynamiclib" if "ziglang" in compiler else "-bundle"  # ziglang cannot link the latter
        command += [form, "-undefined", "dynamic_lookup", "-fvisibility=hidden"]
    elif shared and sys.platform == "win32":
        command += ["-shared"]
    elif shared:
        command += ["-shared", "-fPIC", "-fvisibility=hidden", "-Wl,-z,nodelete"]
    if sys.platform.startswith("linux"):
        command += ["-ldl", "-lpthread", "-lm"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        said = " ".join(done.stderr.split())[-800:]
        raise BundleError(f"The C compiler failed ({' '.join(command[:3])} …): {said}")


# --- what the bundle says -----------------------------------------------------------------------------------


MINOR = 1
"""The minor version of every effect, raised with each release that tells hosts anything new.

Hosts remember descriptions by version: without a new one they would go on with the old controls. It stands here so that
one release has one version on every machine; ``tests/fixtures/store_declarations.py`` closes it at a release.
"""


def _plugin_lines(nodes: Mapping[str, type[Node]]) -> list[str]:
    """Return a line for each effect: id, version, and a hash of what hosts are told of it."""
    return [f"{identifier(kind)} {kind.version} {MINOR} {digest(kind)}" for kind in with_earlier(nodes)]


def _source_of(module: str) -> Path:
    """Return the folder of the module that the launcher imports."""
    found = importlib.util.find_spec(module)
    if found is None or found.origin is None:
        raise BundleError(f"{module} is no module of this environment: install Inkarnat into it.")
    return Path(found.origin).parent


def _own_root() -> list[Path]:
    """Return the folder that this very package is imported from, where that is more than the environment's own."""
    roots = [Path(place).parent for place in sys.modules[__name__.split(".")[0]].__path__]
    return [root for root in roots if (root / __name__.split(".")[0] / "kernels").is_dir()][:1]


def _configuration(resources: Path, module: str, plugins: list[str]) -> str:
    stdlib, purelib, platlib = (Path(sysconfig.get_path(name)) for name in ("stdlib", "purelib", "platlib"))
    # Not resolved: the link in a virtual environment is what tells Python where its packages are.
    places = [("program", Path(sys.executable)), ("library", find_library()), ("standard_library", stdlib)]
    places += [("path", place) for place in dict.fromkeys((*_own_root(), purelib, platlib))]
    places += [("source", _source_of(module))]
    lines = [f"{key}={_written(place, resources)}" for key, place in places]
    lines += [f"version={sys.version_info[0]}.{sys.version_info[1]}", f"module={module}"]
    lines += [f"release={importlib.metadata.version('inkarnat')}"]
    lines += [f"plugin={line}" for line in plugins]
    return "# What the launcher starts. Written by `inkarnat openfx`.\n" + "\n".join(lines) + "\n"


def _written(place: Path, resources: Path) -> str:
    """Write a path relative to Resources where the bundle lies in the same environment: both can then move."""
    if resources.is_relative_to(sys.prefix) and place.is_relative_to(sys.prefix):
        return os.path.relpath(place, resources)
    return str(place)


def _info(name: str) -> bytes:
    return plistlib.dumps(
        {
            "CFBundleDevelopmentRegion": "English",
            "CFBundleExecutable": f"{name}.ofx",
            "CFBundleIdentifier": f"org.inkarnat.{name.lower()}",
            "CFBundleInfoDictionaryVersion": "6.0",
            "CFBundleName": name,
            "CFBundlePackageType": "BNDL",
            "CFBundleVersion": "1",
        }
    )


# --- building -----------------------------------------------------------------------------------------------


def binary_of(bundle: Path) -> Path:
    """Return where the binary of a bundle lies."""
    return bundle / "Contents" / architecture() / bundle.name.replace(".ofx.bundle", ".ofx")


def build(
    folder: Path,
    nodes: Mapping[str, type[Node]] = NODES,
    *,
    name: str = "Inkarnat",
    module: str = MODULE,
) -> Built:
    """Build ``NAME.ofx.bundle`` in a folder, or leave it as it is where nothing has changed.

    :param nodes: the effects. :param module: what the launcher imports; it has ``attach``.
    :raises BundleError: no compiler, no shared Python library, too many nodes, or the folder cannot be written.
    """
    if len(nodes) > 64:
        raise BundleError(f"A bundle holds at most 64 effects, not {len(nodes)}: raise MOST_PLUGINS in launcher.c.")
    bundle = folder.absolute() / f"{name}.ofx.bundle"
    resources = bundle / "Contents" / "Resources"
    before = _text_of(resources / "launch.cfg")
    plugins = _plugin_lines(nodes)
    launcher = b"".join((SOURCES / name).read_bytes() for name in ("launcher.c", "system.h"))
    text = _configuration(resources, module, plugins) + f"launcher={hashlib.sha256(launcher).hexdigest()[:12]}\n"
    effects = {fields[0]: f"{fields[1]}.{fields[2]}" for fields in (line.split() for line in reversed(plugins))}
    if binary_of(bundle).is_file() and before == text:
        return Built(bundle, False, effects)
    if bundle.exists() and not _is_built(bundle):
        raise BundleError(f"{bundle} is there and was not built by Inkarnat: move it away, or choose another folder.")
    try:
        _write(bundle, name, text, nodes)
    except OSError as error:
        raise BundleError(f"{bundle} cannot be written ({error.strerror}): choose another folder.") from None
    return Built(bundle, True, effects)


def _is_built(bundle: Path) -> bool:
    """Tell whether a folder of a bundle's name was built here."""
    return (bundle / "Contents" / "Resources" / "launch.cfg").is_file()


def _text_of(configuration: Path) -> str:
    try:
        return configuration.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ""


def _write(bundle: Path, name: str, configuration: str, nodes: Mapping[str, type[Node]]) -> None:
    """Make the bundle under another name and move it into place: a host never sees half of it."""
    bundle.parent.mkdir(parents=True, exist_ok=True)
    # A name that starts with "@" is one that hosts must skip.
    with tempfile.TemporaryDirectory(prefix="@", dir=bundle.parent) as work:
        fresh = Path(work, bundle.name)
        binary = binary_of(fresh)
        binary.parent.mkdir(parents=True)
        (fresh / "Contents" / "Resources").mkdir()
        compile_c(SOURCES / "launcher.c", binary, shared=True)
        (fresh / "Contents" / "Resources" / "launch.cfg").write_text(configuration, encoding="utf-8")
        for kind in with_earlier(nodes):
            told = fresh / "Contents" / "Resources" / told_in(kind)
            told.write_text(description(kind), encoding="utf-8")
        (fresh / "Contents" / "Info.plist").write_bytes(_info(name))
        for kind in nodes.values():
            picture, drawing = icon_of(kind)
            picture.save(fresh / "Contents" / "Resources" / f"{identifier(kind)}.png")
            (fresh / "Contents" / "Resources" / f"{identifier(kind)}.svg").write_text(drawing, encoding="utf-8")
        if bundle.exists():
            bundle.rename(Path(work, "old"))
        fresh.rename(bundle)


# --- where hosts look ---------------------------------------------------------------------------------------

_SYSTEM = {"linux": "/usr/OFX/Plugins", "darwin": "/Library/OFX/Plugins"}


def system_folder() -> Path:
    """Return the folder in which every host looks. Source: OpenFX 1.5, "Installation Location"."""
    if sys.platform == "win32":
        return Path(os.environ.get("COMMONPROGRAMFILES", r"C:\Program Files\Common Files"), "OFX", "Plugins")
    return Path(_SYSTEM["darwin" if sys.platform == "darwin" else "linux"])


def own_folders() -> list[Path]:
    """Return the folders that OFX_PLUGIN_PATH names, which hosts look in first."""
    named = os.environ.get("OFX_PLUGIN_PATH", "").split(";" if sys.platform in ("win32", "darwin") else ":")
    return [Path(folder).expanduser() for folder in named if folder.strip()]


def user_folder() -> Path:
    """Return where a user's own plug-ins lie: the first folder of OFX_PLUGIN_PATH, else OFX/Plugins at home."""
    return next(iter(own_folders()), Path.home() / "OFX" / "Plugins")


def remove(folders: Iterable[Path], name: str = "Inkarnat") -> list[Path]:
    """Remove the bundle from folders, and return those that it lay in.

    Raises BundleError where one cannot be removed; a host never sees half of it.
    """
    removed = []
    for folder in dict.fromkeys(Path(folder).absolute() for folder in folders):
        bundle = folder / f"{name}.ofx.bundle"
        if not _is_built(bundle):
            continue
        aside = folder / f"@{bundle.name}-{os.getpid()}"  # hosts must skip names that begin so
        try:
            bundle.rename(aside)
            shutil.rmtree(aside)
        except OSError as error:
            raise BundleError(f"{bundle} cannot be removed ({error.strerror}): remove it as its owner.") from None
        removed.append(bundle)
    return removed


# --- trying it out ------------------------------------------------------------------------------------------


def try_out(bundles: list[Path], *arguments: str, timeout: float = 300) -> list[str]:
    """Load bundles in a small C host, in a process of its own, and return the lines it prints.

    :param arguments: of probe.c. Raises BundleError where an effect cannot be loaded and described, or the host dies.
    """
    with tempfile.TemporaryDirectory() as work:
        probe = Path(work, "probe.exe" if sys.platform == "win32" else "probe")
        compile_c(SOURCES / "probe.c", probe, shared=False)
        command = [str(probe), *arguments, *(str(binary_of(bundle)) for bundle in bundles)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=timeout, check=False)
        except subprocess.TimeoutExpired:
            raise BundleError(f"{bundles[0]} did not answer within {timeout:g} s.") from None
    if done.returncode != 0:
        told = [line for line in done.stderr.splitlines() if line.startswith("OfxMessage")] or [done.stderr[-800:]]
        said = " ".join(dict.fromkeys(told))
        raise BundleError(f"{bundles[0]} cannot be used by a host (status {done.returncode}): {said}")
    return done.stdout.splitlines()
