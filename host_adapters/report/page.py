"""The page: findings as one HTML file that needs nothing else, on any screen, on paper, by keyboard and by ear."""

from __future__ import annotations

import math
import os
import re
import shlex
from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources
from typing import Any

from ...nodes import CHECK, HOLDS, LIMITS, NOT_JUDGED, OFF, STATUSES, Skin, SkinReading, Verdict
from .. import made
from ..writes import write_text
from .charts import Line, strip
from .findings import ClipFindings, Findings, Flicker, file_name, parameters
from .images import Image

_NAN = float("nan")
_MANY = 12
"""Clips from which pictures that are folded away wait until they are shown."""
_OPTION = re.compile(r"`[^`]+`|--[a-z-]+( SAMPLE)?")

CAUTIONS = (
    "Judge on a calibrated display in a controlled surround. A scope reading is a guide: skin varies with person, "
    "light and intent. Delivery limits are those of the facility's specification."
)


def write_page(path: str | os.PathLike[str], findings: Findings) -> None:
    """Write the page: it appears whole or not at all. Raises OutputError where it cannot be written."""
    write_text(path, page(findings), made.PAGE)


def page(findings: Findings) -> str:
    """Return the page as HTML. Nothing in it is loaded from elsewhere, and its policy forbids that as well."""
    title = findings.run.title or ", ".join(clip.clip.name for clip in findings.clips[:3])
    style, script = (resources.files(__package__).joinpath(name).read_text("utf-8") for name in ("page.css", "page.js"))
    order = findings.order()
    parts = [
        f"<header><p class=kicker>Skin report</p><h1>{escape(title)}</h1>{_lead(findings)}</header>",
        "<main>",
        _contact_sheet(findings, order),
        '<div id="clips">',
        *(_clip(findings, findings.clips[place], place + 1) for place in order),
        "</div>",
        _limits(),
        _reproduce(findings),
        "</main>",
        f"<footer><p>{escape(CAUTIONS)}</p></footer>",
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="generator" content="inkarnat">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
        "style-src 'unsafe-inline'; script-src 'unsafe-inline'\">\n"
        f'<meta name="color-scheme" content="light dark">\n<title>Skin report: {escape(title)}</title>\n'
        f"<style>\n{style}</style>\n</head>\n<body>\n"
        + "\n".join(parts)
        + f"\n<script>\n{script}</script>\n</body>\n</html>\n"
    )


_COUNTED = {HOLDS: "holds", CHECK: "to check", OFF: "off", NOT_JUDGED: "not judged"}


def _lead(findings: Findings) -> str:
    counts = [(sum(found.verdict.status == name for found in findings.clips), name) for name in (OFF, CHECK, HOLDS)]
    counts.append((sum(found.verdict.status == NOT_JUDGED for found in findings.clips), NOT_JUDGED))
    said = ", ".join(f"{n} {'hold' if name == HOLDS and n > 1 else _COUNTED[name]}" for n, name in counts if n)
    clips = "1 clip" if len(findings.clips) == 1 else f"{len(findings.clips)} clips"
    view = f" Seen through {escape(os.path.basename(findings.run.view))}." if findings.run.view else ""
    aims = dict.fromkeys(found.aim.words() for found in findings.clips)
    line = f" The line used here is {findings.run.line:g}°."
    return f"<p class=lead>{clips}: {said}. Judged against {escape('; '.join(aims))}.{line}{view}</p>"


# --- across clips -------------------------------------------------------------------------------------------

_ORDERS = {"worst": "worst first", "run": "as in the cut", "name": "by name", "level": "brightest skin first"}


def _contact_sheet(findings: Findings, order: Sequence[int]) -> str:
    """Return the faces of all clips, the worst first, each with its verdict and its skin beside the target's."""
    cards = [_card(findings.clips[place], place + 1, rank) for rank, place in enumerate(order)]
    options = "".join(f'<option value="{value}">{words}</option>' for value, words in _ORDERS.items())
    sorting = (
        f'<p class=sorting><label for="order">Order</label> <select id="order">{options}</select></p>'
        if len(findings.clips) > 1
        else ""
    )
    return (
        '<section aria-labelledby="faces"><div class=title><h2 id="faces">Faces</h2>' + sorting + "</div>"
        "<p class=note>Each face with its light corrected, then as it is delivered, then how far its hue lies from the "
        'target: <span class="hue grey">grey is on it</span>, <span class="hue blue">blue redder</span>, '
        '<span class="hue orange">orange yellower</span>. The two swatches are the target and this clip, at one '
        'brightness.</p><ol id="sheet" class="sheet">' + "".join(cards) + "</ol></section>"
    )


def _card(found: ClipFindings, number: int, rank: int) -> str:
    name, images = escape(found.clip.name), found.images
    final = found.surveyed.final
    level = 0.0 if final is None else final.luma[1]
    faces = "".join(
        f'<img {_source(image)} alt="{words} of {name}" decoding=async>'
        for image, words in (
            (images.face_before, "Face, light corrected,"),
            (images.face_after, "Face as delivered"),
            (images.face_off, "Difference from the target"),
        )
    )
    return (
        f'<li data-worst={rank} data-run={number} data-name="{name}" data-level="{-level:.4f}">'
        f'<a href="#clip{number}" aria-label="Details of {name}">{faces}</a>'
        f"<div class=said><b>{name}</b> {_status(found.verdict)}{_swatch(found)}"
        f"<p>{escape(found.verdict.sentence)}</p></div></li>"
    )


def _swatch(found: ClipFindings) -> str:
    """Return the skin of the target and of the clip side by side, at the target's luma."""
    target = found.target
    cells = [f'<i style="background:{_hex(target, target.luma)}" title="target"></i>']
    if found.surveyed.final is not None:
        skin = Skin.of(found.surveyed.final)
        cells.append(f'<i style="background:{_hex(skin, target.luma)}" title="this clip"></i>')
    return f'<span class=colours aria-hidden="true">{"".join(cells)}</span>'


def _limits() -> str:
    """Return what the statuses go by, folded."""
    rows = [
        [escape(limit.what), limit.shown(limit.check), limit.shown(limit.off), escape(limit.source)]
        for limit in LIMITS.values()
        if limit.group != "matte"
    ]
    return (
        '<details class=limits><summary id="limits">What the statuses go by</summary>'
        + _table("", ("figure", "check from", "off from", "source"), rows, "plain")
        + "<p class=note>The skin's level is told and does not count.</p></details>"
    )


def _status(verdict: Verdict) -> str:
    status = verdict.status
    kind = status.replace(" ", "-")
    return f'<span class="status {kind}"><span aria-hidden="true">{STATUSES[status][0]}</span> {status}</span>'


def _hex(skin: Skin, luma: float) -> str:
    return "#" + "".join(f"{min(max(round(v * 255), 0), 255):02x}" for v in skin.rgb(luma))


# --- one clip -----------------------------------------------------------------------------------------------


def _clip(findings: Findings, found: ClipFindings, number: int) -> str:
    name, images = escape(found.clip.name), found.images
    scopes = (
        _figure(images.scope_before, f"Vectorscope of {name}, light only", "Vectorscope, light only"),
        _figure(images.scope_after, f"Vectorscope of {name}, final", "Vectorscope, final"),
        _figure(images.waveform_after, f"Waveform of the skin of {name}, final", "Level of the skin, final"),
    )
    mattes = (
        _figure(images.matte, f"Matte of {name}: white where skin is keyed", "Matte"),
        _figure(images.keyed, f"{name}, its surroundings dimmed", "What was corrected"),
    )
    level = f" · {escape(found.level)}" if found.level else ""
    light = f" · light: {escape(found.clip.light)}" if found.clip.light else ""
    again = ", solved again" if found.clip.solved_again else ""
    approved = " · approved" if found.clip.approved else ""
    opened = " open" if len(findings.clips) == 1 else ""
    return (
        f'<details class=clip id="clip{number}"{opened} data-run={number} data-name="{name}">'
        f"<summary><h2>{name}</h2> {_status(found.verdict)}<span class=sentence>"
        f"{_coded(found.verdict.findings[0].words())}</span></summary>"
        f"<p class=meta>{escape(file_name(found.clip))} · {escape(found.described)} · shown: frame {found.shown}"
        f"{light}{again}{level}{approved}</p>"
        + _wipe(found, number, len(findings.clips) > _MANY)
        + _warnings(found)
        + f"<details><summary>Figures of {name}</summary>"
        + '<div class="columns"><div>'
        + _readings(found)
        + "</div><div class=pair>"
        + "".join(mattes)
        + "</div></div>"
        + '<h3>Scopes</h3><div class="pair scopes">'
        + "".join(scopes)
        + "</div>"
        + _over_time(found)
        + "</details>"
        + _parameters(found)
        + "</details>"
    )


def _coded(text: str) -> str:
    return _OPTION.sub(lambda found: f"<code>{found[0].strip('`')}</code>", escape(text))


def _wipe(found: ClipFindings, number: int, many: bool) -> str:
    images, name = found.images, escape(found.clip.name)
    after, lazy = images.after, " loading=lazy" if many else ""
    befores = (("light", "light only", images.before), ("shot", "as shot", images.as_shot))
    choice = "".join(f"<option value={key}>{words}</option>" for key, words, _ in befores)
    pictures = "".join(
        f'<img class="before {key}" {_source(image)} alt="{name}, {words}" decoding=async{lazy}>'
        for key, words, image in befores
    )
    return (
        f'<figure class=wipe data-left=light style="--ratio:{after.width}/{after.height}">'
        f'<div class=stage><img class=after {_source(after)} alt="{name}, final" decoding=async{lazy}>{pictures}'
        '<span class="tag left" aria-hidden="true">light only</span><span class="tag right" aria-hidden="true">final'
        '</span><span class=edge aria-hidden="true"></span></div>'
        f'<figcaption><label for="wipe{number}">Before and after</label>'
        f'<input id="wipe{number}" type=range min=0 max=100 value=50 step=1 aria-valuetext="50 % before">'
        f'<label for="left{number}">On the left</label> <select id="left{number}">{choice}</select></figcaption>'
        "</figure>"
    )


def _source(image: Image) -> str:
    return f'src="{image.uri}" width={image.width} height={image.height}'


def _figure(image: Image, alt: str, caption: str) -> str:
    return f'<figure><img {_source(image)} alt="{alt}"><figcaption>{escape(caption)}</figcaption></figure>'


def _warnings(found: ClipFindings) -> str:
    if not found.warnings:
        return ""
    items = "".join(f"<li>{_coded(text)}</li>" for text in found.warnings)
    return f'<div class="warnings"><h3>Worth a look</h3><ul>{items}</ul></div>'


def _readings(found: ClipFindings) -> str:
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
    count = len(found.moments)
    note = (
        "<p class=note>EBU R 103: red, green, blue and luma from −5 to 105 % (versions 2.0 and 3.0); preferred, luma "
        "from −1 to 103 % (version 1.1). Up to 1 % of the picture may lie beyond. Single pixels, unfiltered; the worst "
        f"of {count} {'frame' if count == 1 else 'frames'}.</p>"
    )
    return "<h3>Readings</h3>" + _table("", ("reading", "as shot", "light only", "final"), rows) + note


def _side(off: float) -> str:
    if abs(off) < 0.05:
        return "on it"
    return f"{abs(off):.1f}° {'yellower' if off > 0 else 'redder'}"


def _lumas(reading: SkinReading) -> str:
    return " / ".join(f"{level * 100:.0f}" for level in reading.luma) + "\u00a0%"


def _share(share: float) -> str:
    return "0" if share == 0 else f"{share * 100:.2f}\u00a0%" if share >= 5e-5 else "<\u00a00.01\u00a0%"


def _table(caption: str, columns: Sequence[str], rows: Iterable[Sequence[str]], kind: str = "") -> str:
    """Return a table; the first cell of every row is its heading. Cells are HTML."""
    head = "".join(f'<th scope="col">{column}</th>' for column in columns)
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th>'
        + "".join(f'<td data-label="{column}">{cell}</td>' for column, cell in zip(columns[1:], row[1:], strict=True))
        + "</tr>"
        for row in rows
    )
    said = f"<caption>{caption}</caption>" if caption else ""
    return f'<table class="{kind}">{said}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


# --- over time ----------------------------------------------------------------------------------------------


def _over_time(found: ClipFindings) -> str:
    moments = found.moments
    if len(moments) < 2:
        return ""
    frames = [moment.frame for moment in moments]

    def values(side: str, pick: Any) -> list[float]:
        readings = [getattr(moment, side) for moment in moments]
        return [_NAN if reading is None else pick(reading) for reading in readings]

    strips = [
        strip("Hue", "°", frames,
              [Line(side, values(side, lambda r: r.angle), words) for side, words in _SIDES],
              target=found.aim.angle, least_span=4.0),
        strip("Luma", " %", frames,
              [Line(side, values(side, lambda r: r.luma[1] * 100), words) for side, words in _SIDES],
              least_span=10.0, digits=0),
        strip("Keyed area", " %", frames,
              [Line("after", values("after", lambda r: r.area * 100), "final")], least_span=4.0),
    ]  # fmt: skip
    key = "".join(f'<span class="k {name}">{words}</span>' for name, words in (*_SIDES, ("target", "target")))
    return f"<h3>Over time</h3><p class=key>{key}</p>{''.join(strips)}{_flicker_words(found.flicker, len(frames))}"


_SIDES = (("before", "light only"), ("after", "final"))


def _flicker_words(flicker: Flicker | None, frames: int) -> str:
    if flicker is None:
        return f"<p class=note>{frames} frames measured; no two of them are neighbours.</p>"
    return (
        f"<p>Flicker from frame to frame: hue ± {flicker.angle:.2f}°, luma ± {flicker.luma * 100:.2f} %, "
        f"area ± {flicker.area * 100:.1f} % of itself.</p>"
        f"<p class=note>Root mean square of the steps between neighbours, over √2; {frames} frames measured.</p>"
    )


# --- reproducing --------------------------------------------------------------------------------------------


def _parameters(found: ClipFindings) -> str:
    rows = []
    for id, label, params in parameters(found.graph):
        said = ", ".join(f"{name} {_value(value)}" for name, value in params.items()) or "none"
        rows.append([f"{escape(label)} <small>{escape(id)}</small>", escape(said)])
    hashes = [[escape(what), f"<code>{value}</code>"] for what, value in found.hashes]
    return (
        f"<details><summary>Parameters and hashes of {escape(found.clip.name)}</summary>"
        + _table("Nodes of the graph", ("node", "parameters"), rows, "plain")
        + _table(
            "SHA-256: pictures as float32, rows from the top, after a line with their shape",
            ("of", "hash"),
            hashes,
            "plain",
        )
        + "</details>"
    )


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}" if math.isfinite(value) else str(value)
    if isinstance(value, dict):
        return f"{len(value.get('keyframes') or value.get('knots') or ())} keyframes"
    return str(value) or "empty"


def _reproduce(findings: Findings) -> str:
    versions = ", ".join(f"{name} {version}" for name, version in findings.versions)
    commands = "\n".join(
        f"inkarnat render {_quoted(found.clip.graph)} --in plate={_quoted(file_name(found.clip))} --out result=FILES"
        for found in findings.clips
    )
    return (
        '<section aria-labelledby="again"><h2 id="again">To do it again</h2>'
        f"<p>Made with {escape(versions)}.</p><pre tabindex=0><code>{escape(commands)}</code></pre></section>"
    )


def _quoted(name: str) -> str:
    return shlex.quote(os.path.basename(name))
