"""Building the bundle: launcher, launch.cfg and Info.plist in the folders that the standard asks for."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import platform
import plistlib
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ...kernels.errors import InkarnatError
from ...nodes import NODES
from ...nodes.declare import Node
from .controls import clips_of, contexts_of, controls_of, identifier
from .plugin import configuration_lines

SOURCES = Path(__file__).parent
MODULE = "inkarnat.host_adapters.openfx.plugin"


class BundleError(InkarnatError):
    """The bundle cannot be built here, or cannot be loaded."""

    exit_code = 5


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


def declaration_digest(kind: type[Node]) -> str:
    """Return a hash of everything that a host is told about an effect."""
    told = [
        identifier(kind),
        kind.label,
        kind.help(),
        kind.pixelwise,
        [str(context) for context in contexts_of(kind)],
        [str(clip) for clip in clips_of(kind)],
        [str(control) for curves in (False, True) for control in controls_of(kind, curves)],
    ]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:12]


def _plugin_lines(nodes: Mapping[str, type[Node]], before: list[str]) -> list[str]:
    """Return a line for each effect: id, version, digest. A new declaration raises the minor version.

    Hosts remember descriptions by version: without a new one they would go on with the old controls.
    """
    known = {fields[0]: fields[1:] for fields in (line.split() for line in before) if len(fields) == 4}
    lines = []
    for kind in nodes.values():
        digest, minor = declaration_digest(kind), 0
        if identifier(kind) in known:
            major, old_minor, old_digest = known[identifier(kind)]
            if int(major) == kind.version:
                minor = int(old_minor) + (digest != old_digest)
        lines.append(f"{identifier(kind)} {kind.version} {minor} {digest}")
    return lines


def _configuration(resources: Path, module: str, plugins: list[str]) -> str:
    stdlib, purelib, platlib = (Path(sysconfig.get_path(name)) for name in ("stdlib", "purelib", "platlib"))
    # Not resolved: the link in a virtual environment is what tells Python where its packages are.
    places = [("program", Path(sys.executable)), ("library", find_library()), ("standard_library", stdlib)]
    places += [("path", place) for place in dict.fromkeys((purelib, platlib))]
    lines = [f"{key}={_written(place, resources)}" for key, place in places]
    lines += [f"version={sys.version_info[0]}.{sys.version_info[1]}", f"module={module}"]
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
    plugins = _plugin_lines(nodes, configuration_lines(before).get("plugin", []))
    launcher = b"".join((SOURCES / name).read_bytes() for name in ("launcher.c", "system.h"))
    text = _configuration(resources, module, plugins) + f"launcher={hashlib.sha256(launcher).hexdigest()[:12]}\n"
    effects = {fields[0]: f"{fields[1]}.{fields[2]}" for fields in (line.split() for line in plugins)}
    if binary_of(bundle).is_file() and before == text:
        return Built(bundle, False, effects)
    try:
        _write(bundle, name, text)
    except OSError as error:
        raise BundleError(f"{bundle} cannot be written ({error.strerror}): choose another folder.") from None
    return Built(bundle, True, effects)


def _text_of(configuration: Path) -> str:
    try:
        return configuration.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ""


def _write(bundle: Path, name: str, configuration: str) -> None:
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
        (fresh / "Contents" / "Info.plist").write_bytes(_info(name))
        if bundle.exists():
            bundle.rename(Path(work, "old"))
        fresh.rename(bundle)


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
