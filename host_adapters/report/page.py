"""The page: findings as one HTML file that needs nothing else, on any screen, on paper, by keyboard and by ear."""

from __future__ import annotations

import functools
import math
import os
import re
import shlex
from html import escape
from importlib import resources
from pathlib import Path
from typing import Any

from ...nodes import CHECK, HOLDS, LIMITS, NOT_JUDGED, OFF, STATUSES, Skin, SkinReading
from .. import made
from ..graphs.graph import STANDARD_SOURCE
from ..media.clips import parse_choice
from ..media.pictures import FORMATS as PICTURES
from ..media.video_format import SUFFIXES as VIDEOS
from ..sequences import SequencePattern
from ..shots.runs import Run, reading_words
from ..writes import write_text
from .charts import Line, strip
from .findings import ClipFindings, Findings, file_name, parameters

_NAN = float("nan")
_MANY = 12
"""Clips from which pictures that are folded away wait until they are shown."""
_WITHIN = ("page.css", "page.js")
_ORDERS = {"worst": "worst first", "run": "as in the cut", "name": "by name", "level": "brightest skin first"}
_OPTION = re.compile(r"`[^`]+`|--[a-z-]+( SAMPLE)?")

CAUTIONS = (
    "Judge on a calibrated display in a controlled surround. A scope reading is a guide: skin varies with person, "
    "light and intent. Delivery limits are those of the facility's specification."
)


def write_page(path: str | os.PathLike[str], findings: Findings) -> None:
    """Write the page: it appears whole or not at all. Raises OutputError where it cannot be written."""
    write_text(path, page(findings, Path(path).parent), made.PAGE)


def page(findings: Findings, folder: str | os.PathLike[str] = "") -> str:
    """Return the page as HTML. Nothing in it is loaded from elsewhere, and its policy forbids that as well.

    :param folder: where the page will lie; its commands work there.
    """
    style, script = (resources.files(__package__).joinpath(name).read_text("utf-8") for name in _WITHIN)
    clips = findings.clips
    limits = [
        (limit.what, limit.shown(limit.check), limit.shown(limit.off), limit.source)
        for limit in LIMITS.values()
        if limit.group != "matte"
    ]
    text: str = (
        _templates()
        .get_template("page.html")
        .render(
            title=findings.run.title or ", ".join(clip.clip.name for clip in clips[:3]),
            style=style,
            script=script,
            lead=_lead(findings),
            orders=_ORDERS,
            clips=[_Shown(clips[place], place + 1) for place in findings.order()],
            many=_MANY,
            limits=limits,
            versions=", ".join(f"{name} {version}" for name, version in findings.versions),
            commands="\n".join(_command(found, findings.run, Path(folder)) for found in clips),
            cautions=CAUTIONS,
        )
    )
    return text


@functools.cache
def _templates() -> Any:
    """Return the templates: they escape all but what they call safe, and a name that is missing is an error."""
    import jinja2

    templates = jinja2.Environment(
        loader=jinja2.PackageLoader(str(__package__), ""),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    templates.filters["coded"] = _coded
    return templates


def _coded(text: str) -> str:
    """Return a text as HTML, its options as code."""
    return _OPTION.sub(lambda found: f"<code>{found[0].strip('`')}</code>", escape(text))


_COUNTED = {HOLDS: "holds", CHECK: "to check", OFF: "off", NOT_JUDGED: "not judged"}


def _lead(findings: Findings) -> str:
    counts = [(sum(found.verdict.status == name for found in findings.clips), name) for name in (OFF, CHECK, HOLDS)]
    counts.append((sum(found.verdict.status == NOT_JUDGED for found in findings.clips), NOT_JUDGED))
    said = ", ".join(f"{n} {'hold' if name == HOLDS and n > 1 else _COUNTED[name]}" for n, name in counts if n)
    clips = "1 clip" if len(findings.clips) == 1 else f"{len(findings.clips)} clips"
    view = f" Seen through {os.path.basename(findings.run.view)}." if findings.run.view else ""
    aims = dict.fromkeys(found.aim.words() for found in findings.clips)
    told = any(aim == f"the line used here, {findings.run.line:.1f}°" for aim in aims)
    line = "" if told else f" The line used here is {findings.run.line:g}°."
    unread = f" Left out, as they could not be read: {', '.join(findings.unread)}." if findings.unread else ""
    return f"{clips}: {said}. Judged against {'; '.join(aims)}.{line}{view}{unread}"


def _command(found: ClipFindings, run: Run, folder: Path) -> str:
    """Return the command that renders a clip anew, its paths as seen from the folder of the page."""

    def seen(path: Path) -> str:
        relative = os.path.relpath(path, folder.absolute())
        return os.path.join(os.curdir, relative) if relative.startswith("-") else relative

    clip = found.clip
    files, _ = parse_choice(run.path(clip.files))
    pattern, suffix = SequencePattern.parse(files), files.suffix.lower()
    number = "" if pattern is None else f".%0{pattern.width}d"
    result = re.sub(r"[/%#]", "_", clip.name) + f"-skin{number}"
    result += suffix if suffix in (*PICTURES, *VIDEOS) else next(iter(VIDEOS))
    source = STANDARD_SOURCE if STANDARD_SOURCE in found.graph.sources else found.graph.sources[0]
    words = [seen(run.path(clip.graph)), "--in", f"{source}={seen(run.path(clip.files))}", "--out", f"result={result}"]
    words += ["--frames", clip.frames] if clip.frames else []
    return "inkarnat render " + shlex.join([*words, *reading_words(clip.read_as)])


# --- one clip -----------------------------------------------------------------------------------------------


class _Shown:
    """A clip in the words and figures of the page."""

    def __init__(self, found: ClipFindings, number: int) -> None:
        final, self.status = found.surveyed.final, found.verdict.status
        self.number, self.name, self.images = number, found.clip.name, found.images
        self.sign, self.sentence = STATUSES[self.status][0], found.verdict.sentence
        self.finding, self.warnings = found.verdict.findings[0].words(), found.warnings
        self.level_order = f"{-(0.0 if final is None else final.luma[1]):.4f}"
        self.swatch = _swatch(found)
        self.meta = _meta(found)
        self.readings, self.measured = _readings(found), len(found.moments)
        self.strips, self.flicker = _strips(found), found.flicker
        self.nodes = [
            (label, id, ", ".join(f"{name} {_value(value)}" for name, value in params.items()) or "none")
            for id, label, params in parameters(found.graph)
        ]
        self.hashes = found.hashes


def _swatch(found: ClipFindings) -> list[tuple[str, str]]:
    """Return the skin of the target and of the clip, at the target's luma, each as a colour with its name."""
    target, final = found.target, found.surveyed.final
    cells = [(_hex(target, target.luma), "target")]
    if final is not None:
        cells.append((_hex(Skin.of(final), target.luma), "this clip"))
    return cells


def _hex(skin: Skin, luma: float) -> str:
    return "#" + "".join(f"{min(max(round(v * 255), 0), 255):02x}" for v in skin.rgb(luma))


def _meta(found: ClipFindings) -> str:
    again = ", solved again" if found.clip.solved_again else ""
    said = (
        file_name(found.clip),
        found.described,
        f"shown: frame {found.shown}",
        f"light: {found.clip.light}{again}" if found.clip.light else "",
        found.level,
        "approved" if found.clip.approved else "",
    )
    return " · ".join(words for words in said if words)


def _readings(found: ClipFindings) -> list[list[str]]:
    def row(label: str, say: Any) -> list[str]:
        return [label, *(say(reading) if reading is not None else "no skin" for reading in found.readings)]

    def on_two(label: str, first: float, second: float) -> list[str]:
        return [label, "", _share(first), _share(second)]

    rows = [
        row("hue", lambda r: f"{r.angle:.1f}°"),
        row("from the skin line", lambda r: _side(r.off_line)),
        row("saturation (chroma/luma)", lambda r: f"{r.ratio:.3f}"),
        row("natural at this lightness", lambda r: f"{r.population_ratio:.3f} ±\u00a00.024"),
        row("level 5 / 50 / 95 %", _lumas),
        row("spread of the hue", lambda r: f"{r.spread:.1f}°"),
        row("keyed area", lambda r: f"{r.area * 100:.1f}\u00a0%"),
    ]
    before, after = found.worst_limits()
    rows += [
        on_two("beyond R 103, preferred", before.preferred, after.preferred),
        on_two("beyond R 103, tolerance", before.tolerance, after.tolerance),
        on_two("beyond the codes of video", before.codes, after.codes),
    ]
    return rows


def _side(off: float) -> str:
    if abs(off) < 0.05:
        return "on it"
    return f"{abs(off):.1f}° {'yellower' if off > 0 else 'redder'}"


def _lumas(reading: SkinReading) -> str:
    return " / ".join(f"{level * 100:.0f}" for level in reading.luma) + "\u00a0%"


def _share(share: float) -> str:
    return "0" if share == 0 else f"{share * 100:.2f}\u00a0%" if share >= 5e-5 else "<\u00a00.01\u00a0%"


# --- over time ----------------------------------------------------------------------------------------------


def _strips(found: ClipFindings) -> list[str]:
    """Return how figures run over the frames, as drawings; none of a single frame."""
    moments = found.moments
    if len(moments) < 2:
        return []
    frames = [moment.frame for moment in moments]

    def values(side: str, pick: Any) -> list[float]:
        readings = [getattr(moment, side) for moment in moments]
        return [_NAN if reading is None else pick(reading) for reading in readings]

    return [
        strip("Hue", "°", frames,
              [Line(side, values(side, lambda r: r.angle), words) for side, words in _SIDES],
              target=found.aim.angle, least_span=4.0),
        strip("Luma", " %", frames,
              [Line(side, values(side, lambda r: r.luma[1] * 100), words) for side, words in _SIDES],
              least_span=10.0, digits=0),
        strip("Keyed area", " %", frames,
              [Line("after", values("after", lambda r: r.area * 100), "final")], least_span=4.0),
    ]  # fmt: skip


_SIDES = (("before", "light only"), ("after", "final"))


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}" if math.isfinite(value) else str(value)
    if isinstance(value, dict):
        return f"{len(value.get('keyframes') or value.get('knots') or ())} keyframes"
    return str(value) or "empty"
