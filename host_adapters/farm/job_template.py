"""Job templates: a run as an Open Job Description, for queues that hand command lines to a render farm."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...kernels.errors import InkarnatError
from ..media.clips import Frames
from ..sequences import SequencePattern
from .chunks import Job, chunk_size, cut
from .run import frames_text

SPECIFICATION = "jobtemplate-2023-09"
MOST_TASKS = 1024
"""Values that the specification allows in the range of a task parameter."""

_LONGEST_NAME = 128
_JOIN_TIMEOUT = 24 * 3600


class TemplateError(InkarnatError, ValueError):
    """A job that a template cannot describe."""


@dataclass(frozen=True)
class _Files:
    """A named input or output: its parameters in the template, and how the command line names it with them."""

    name: str
    path: Path
    flow: str
    prefix: str
    base: Path

    def parameters(self) -> Iterator[dict[str, Any]]:
        """A file is one path; a sequence a folder, which the queue may map, and the name of its files."""
        said = f"{'Input' if self.flow == 'IN' else 'Output'} {self.name}"
        if SequencePattern.parse(self.path) is None:
            yield _path(self.prefix, "FILE", self.flow, self.path, self.base, said)
            return
        yield _path(f"{self.prefix}_folder", "DIRECTORY", self.flow, self.path.parent, self.base, f"{said}: folder")
        named = {"name": f"{self.prefix}_name", "type": "STRING"}
        named["description"] = f"{said}: name of its files, %04d for the frame number"
        yield named | ({"default": self.path.name} if _is_text(self.path.name) else {})

    def argument(self) -> str:
        if SequencePattern.parse(self.path) is None:
            return f"{self.name}={{{{Param.{self.prefix}}}}}"
        return f"{self.name}={{{{Param.{self.prefix}_folder}}}}/{{{{Param.{self.prefix}_name}}}}"


def job_template(
    job: Job,
    graph: Path,
    frames: Sequence[int] | Frames,
    *,
    folder: Path,
    name: str = "",
    chunk: int | None = None,
    timeout: int = 3600,
    words: Sequence[str] = (),
) -> dict[str, Any]:
    """Return the template of a job, format 2023-09: a step of one task for each chunk, and a step that joins video.

    Graph, inputs and outputs are PATH parameters, which a queue may map to its own places and which can be given anew
    when the job is submitted.

    :param folder: where the template will lie; paths below it become defaults, as seen from there.
    :param chunk: frames in a task; left out, what suits the job. :param timeout: seconds that a task may take.
    :param words: what else the command line says, of how the footage is read.
    :raises TemplateError: more tasks than a template may have.
    """
    size = chunk or max(chunk_size(len(frames), job.size), -(-len(frames) // MOST_TASKS))
    if -(-len(frames) // size) > MOST_TASKS:
        raise TemplateError(
            f"{len(frames)} frames in chunks of {size} make more than {MOST_TASKS} tasks: give --chunk "
            f"{-(-len(frames) // MOST_TASKS)} or more."
        )
    files = [_Files(n, Path(p), "IN", prefix, folder) for (n, p), prefix in _prefixed("In", job.inputs)]
    files += [_Files(n, Path(p), "OUT", prefix, folder) for (n, p), prefix in _prefixed("Out", job.outputs)]
    parameters = [
        _path("Graph", "FILE", "IN", graph, folder, "The graph"),
        *(parameter for item in files for parameter in item.parameters()),
        {"name": "Program", "type": "STRING", "description": "How a worker calls Inkarnat", "default": "inkarnat"},
    ]
    common = ["farm", "{{Param.Graph}}", *_arguments(files), *words]
    if job.codec:
        parameters.append({"name": "Codec", "type": "STRING", "default": job.codec})
        common += ["--codec", "{{Param.Codec}}"]
    steps = [_render_step(common, [str(part) for part in cut(frames, size)], timeout)]
    if job.videos:
        steps.append(_join_step(common, frames_text(frames)))
    return {
        "specificationVersion": SPECIFICATION,
        "name": _job_name(name or f"Inkarnat {graph.stem}"),
        "parameterDefinitions": parameters,
        "steps": steps,
    }


def _prefixed(word: str, pairs: Sequence[tuple[str, str]]) -> Iterator[tuple[tuple[str, str], str]]:
    """Give each pair a parameter name of its own: letters, digits and _, as the specification asks."""
    taken: set[str] = set()
    for pair in pairs:
        prefix = f"{word}_{re.sub('[^A-Za-z0-9_]', '_', pair[0])[:40]}"
        number = 2
        while prefix in taken:
            prefix, number = f"{prefix.rstrip('0123456789')}{number}", number + 1
        taken.add(prefix)
        yield pair, prefix


def _path(name: str, kind: str, flow: str, path: Path, base: Path, description: str) -> dict[str, Any]:
    """A PATH parameter; the specification allows a default below the template's folder only."""
    parameter = {"name": name, "type": "PATH", "objectType": kind, "dataFlow": flow, "description": description}
    absolute = os.path.abspath(path)
    inside = os.path.commonpath([absolute, os.path.abspath(base)]) == os.path.abspath(base)
    if inside and _is_text(os.path.relpath(absolute, base)):
        parameter["default"] = os.path.relpath(absolute, base)
    return parameter


def left_open(template: Mapping[str, Any], job: Job, graph: Path) -> dict[str, str]:
    """Return the parameters without a default, which have to be given when the job is submitted, with their paths."""
    paths = {"Graph": os.path.abspath(graph)}
    for word, pairs in (("In", job.inputs), ("Out", job.outputs)):
        for (_, path), prefix in _prefixed(word, pairs):
            folder, name = os.path.split(path)
            paths |= {prefix: path, f"{prefix}_folder": folder, f"{prefix}_name": name}
    return {item["name"]: paths[item["name"]] for item in template["parameterDefinitions"] if "default" not in item}


def _is_text(name: str) -> bool:
    """Tell whether a name can stand in a template: bytes that are no UTF-8 cannot."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _arguments(files: Sequence[_Files]) -> list[str]:
    return [word for item in files for word in ("--in" if item.flow == "IN" else "--out", item.argument())]


def _render_step(common: Sequence[str], chunks: list[str], timeout: int) -> dict[str, Any]:
    return {
        "name": "Render",
        "parameterSpace": {"taskParameterDefinitions": [{"name": "Frames", "type": "STRING", "range": chunks}]},
        "script": _script([*common, "--part", "{{Task.Param.Frames}}"], timeout),
    }


def _join_step(common: Sequence[str], frames: str) -> dict[str, Any]:
    return {
        "name": "Join",
        "dependencies": [{"dependsOn": "Render"}],
        "script": _script([*common, "--frames", frames, "--join"], _JOIN_TIMEOUT),
    }


def _script(arguments: list[str], timeout: int) -> dict[str, Any]:
    return {"actions": {"onRun": {"command": "{{Param.Program}}", "args": arguments, "timeout": timeout}}}


def _job_name(text: str) -> str:
    """Return a name that the specification takes: no control characters, no format strings, at most 128 letters."""
    plain = "".join(letter for letter in text if letter.isprintable())
    return plain.replace("{{", "{").replace("}}", "}")[:_LONGEST_NAME]


# --- YAML ---------------------------------------------------------------------------------------------------


def as_yaml(value: Any, indent: str = "") -> str:
    """Return plain data as YAML 1.2: blocks for people, texts in JSON's quotes, which YAML takes as they are."""
    if isinstance(value, Mapping):
        lines = [f"{indent}{key}:{_behind(item, indent)}" for key, item in value.items()]
        return "\n".join(lines)
    return "\n".join(f"{indent}-{_behind_dash(item, indent)}" for item in value)


def _behind(item: Any, indent: str) -> str:
    if isinstance(item, Mapping) or (isinstance(item, list) and item):
        return "\n" + as_yaml(item, indent + "  ")
    return " " + _scalar(item)


def _behind_dash(item: Any, indent: str) -> str:
    if isinstance(item, Mapping):
        return " " + as_yaml(item, indent + "  ").lstrip()
    return " " + _scalar(item)


def _scalar(item: Any) -> str:
    """Return a scalar in JSON's quotes; YAML takes no control characters, of which JSON lets DEL and others pass."""
    text = json.dumps(item, ensure_ascii=False)
    return "".join(sign if sign.isprintable() or ord(sign) > 0xFFFF else f"\\u{ord(sign):04x}" for sign in text)
