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

from ...nodes import Distance, Skin, SkinReading
from .. import made
from ..writes import write_text
from .charts import Line, strip
from .findings import ClipFindings, Findings, Flicker, file_name, parameters
from .images import Image

_NAN = float("nan")
_OPTION = re.compile(r"--[a-z-]+")

STATUS = {
    "green": ("●", "green: it holds"),
    "amber": ("▲", "amber: look at it"),
    "red": ("■", "red: correct it again"),
}
"""Sign and words of each status, so that nobody has to tell it by colour."""

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
    several = len(findings.clips) > 1
    parts = [
        f"<header><p class=kicker>Skin report</p><h1>{escape(title)}</h1>{_lead(findings)}</header>",
        "<main>",
        _overview(findings) if several else "",
        *(_clip(findings, found, number) for number, found in enumerate(findings.clips, start=1)),
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


def _lead(findings: Findings) -> str:
    target = findings.target
    worst = [sum(found.verdict.status == name for found in findings.clips) for name in STATUS]
    counts = ", ".join(f"{n} {name}" for n, name in zip(worst, STATUS, strict=True) if n)
    clips = "1 clip" if len(findings.clips) == 1 else f"{len(findings.clips)} clips"
    view = f" Read through {escape(findings.run.view)}." if findings.run.view else ""
    return (
        f"<p class=lead>{clips}: {counts}. Judged against {escape(findings.target_words)}: "
        f"{target.angle:.1f}°, chroma/luma {target.ratio:.3f}.{view}</p>"
    )


# --- across clips -------------------------------------------------------------------------------------------


def _overview(findings: Findings) -> str:
    rows = [_overview_row(number, found) for number, found in enumerate(findings.clips, start=1)]
    columns = ("clip", "status", "hue off", "ΔE00", "keyed area", "light")
    return (
        '<section aria-labelledby="consistency"><h2 id="consistency">Consistency across the clips</h2>'
        + _table("Each clip against the target", columns, rows, "wide")
        + "<p class=note>Amber from 2° or ΔE00 1; red from 4°, ΔE00 2 or a quarter more or less keyed area than on the "
        "reference. ΔE00 is taken at equal luma, so exposure does not count. Medians over "
        f"{len(findings.clips[0].surveyed.frames)} frames.</p>" + _swatches(findings) + "</section>"
    )


def _overview_row(number: int, found: ClipFindings) -> list[str]:
    drift, change = found.verdict.drift, found.verdict.area_change
    area = "–" if change is None else _signed(change * 100, 0, " %")
    light = found.clip.light + (", solved again" if found.clip.resolved else "")
    return [
        f'<a href="#clip{number}">{escape(found.clip.name)}</a>',
        _status(found.verdict.status),
        "–" if drift is None else _signed(drift.angle, 1, "°"),
        "–" if drift is None else f"{drift.delta_e:.2f}",
        area,
        escape(light) or "–",
    ]


def _signed(value: float, digits: int, unit: str) -> str:
    """Return a figure with its sign; what rounds to nothing has none."""
    shown = f"{abs(value):.{digits}f}"
    sign = "" if float(shown) == 0 else "+" if value > 0 else "−"
    return f"{sign}{shown}{unit}"


def _status(status: str) -> str:
    sign, words = STATUS[status]
    return f'<span class="status {status}"><span aria-hidden="true">{sign}</span> {words}</span>'


def _swatches(findings: Findings) -> str:
    """Return the skin of every clip before and after side by side, beside the target, all at the target's luma."""
    luma = findings.target.luma
    target = f'<i style="background:{_hex(findings.target, luma)}"></i>'
    cells = [f"<li><span class=colours>{target}</span><span>target</span></li>"]
    cells += [_swatch(f.clip.name, f.surveyed.before, f.surveyed.after, luma) for f in findings.clips]
    return (
        '<h3>Skin side by side</h3><ul class="swatches">'
        + "".join(cells)
        + "</ul><p class=note>The centre of each clip's skin, above before, below after, all at one luma so that hue "
        "and saturation compare.</p>"
    )


def _swatch(name: str, before: Skin | None, after: Skin | None, luma: float) -> str:
    if before is None or after is None:
        return f"<li><span class=colours><i></i><i></i></span><span>{escape(name)}: no skin found</span></li>"
    colours = "".join(f'<i style="background:{_hex(skin, luma)}"></i>' for skin in (before, after))
    return f"<li><span class=colours>{colours}</span><span>{escape(name)}</span></li>"


def _hex(skin: Skin, luma: float) -> str:
    return "#" + "".join(f"{min(max(round(v * 255), 0), 255):02x}" for v in skin.rgb(luma))


# --- one clip -----------------------------------------------------------------------------------------------


def _clip(findings: Findings, found: ClipFindings, number: int) -> str:
    name, images = escape(found.clip.name), found.images
    scopes = (
        _figure(images.scope_before, f"Vectorscope of {name}, before", "Vectorscope before"),
        _figure(images.scope_after, f"Vectorscope of {name}, after", "Vectorscope after"),
        _figure(images.waveform_before, f"Waveform of the skin of {name}, before", "Luma of the skin before"),
        _figure(images.waveform_after, f"Waveform of the skin of {name}, after", "Luma of the skin after"),
    )
    mattes = (
        _figure(images.matte, f"Matte of {name}: white where skin is keyed", "Matte"),
        _figure(images.keyed, f"{name} after, its surroundings dimmed", "Keyed skin after"),
    )
    return (
        f'<section class=clip id="clip{number}" aria-labelledby="name{number}">'
        f'<div class=title><h2 id="name{number}">{name}</h2>{_status(found.verdict.status)}</div>'
        f"<p class=meta>{escape(file_name(found.clip))} · {escape(found.described)} · shown: frame {found.shown}</p>"
        + _wipe(found, number)
        + _warnings(found)
        + '<div class="columns"><div>'
        + _readings(findings, found)
        + "</div><div class=pair>"
        + "".join(mattes)
        + "</div></div>"
        + '<h3>Scopes</h3><div class="pair scopes">'
        + "".join(scopes)
        + "</div>"
        + _over_time(findings, found)
        + _parameters(found)
        + "</section>"
    )


def _wipe(found: ClipFindings, number: int) -> str:
    before, after, name = found.images.before, found.images.after, escape(found.clip.name)
    return (
        f'<figure class=wipe style="--ratio:{after.width}/{after.height}">'
        f'<div class=stage><img class=after {_source(after)} alt="{name} after the correction">'
        f'<img class=before {_source(before)} alt="{name} before the correction">'
        '<span class="tag left" aria-hidden="true">before</span><span class="tag right" aria-hidden="true">after</span>'
        '<span class=edge aria-hidden="true"></span></div>'
        f'<figcaption><label for="wipe{number}">Before and after</label>'
        f'<input id="wipe{number}" type=range min=0 max=100 value=50 step=1 aria-valuetext="50 % before"></figcaption>'
        "</figure>"
    )


def _source(image: Image) -> str:
    return f'src="{image.uri}" width={image.width} height={image.height}'


def _figure(image: Image, alt: str, caption: str) -> str:
    return f'<figure><img {_source(image)} alt="{alt}"><figcaption>{escape(caption)}</figcaption></figure>'


def _warnings(found: ClipFindings) -> str:
    if not found.warnings:
        return ""
    texts = [_OPTION.sub(r"<code>\g<0></code>", escape(text)) for text in found.warnings]
    items = "".join(f"<li>{text}</li>" for text in texts)
    return f'<div class="warnings"><h3>Worth a look</h3><ul>{items}</ul></div>'


def _readings(findings: Findings, found: ClipFindings) -> str:
    sides = (found.before, found.after)

    def row(label: str, say: Any) -> list[str]:
        return [label, *(say(reading) if reading is not None else "no skin" for reading in sides)]

    rows = [
        row("hue", lambda r: f"{r.angle:.1f}°"),
        row("from the skin line", lambda r: _side(r.off_line)),
        row("chroma/luma", lambda r: f"{r.ratio:.3f}"),
        row("natural at this lightness", lambda r: f"{r.population_ratio:.3f} ±\u00a00.024"),
        row("luma 5 / 50 / 95 %", _lumas),
        row("spread of the hue", lambda r: f"{r.spread:.1f}°"),
        row("keyed area", lambda r: f"{r.area * 100:.1f}\u00a0%"),
    ]
    if findings.run.person is not None:
        name = escape(findings.run.person.name)
        rows.insert(2, [f"from {name}", *(_far(d) for d in found.from_person)])
    limits = found.worst_limits()
    rows += [
        ["beyond R 103, preferred", *(_share(s.preferred) for s in limits)],
        ["beyond R 103, tolerance", *(_share(s.tolerance) for s in limits)],
        ["beyond the codes of video", *(_share(s.codes) for s in limits)],
    ]
    words = "" if found.after is None else f"<p>The skin rests {escape(found.after.words())}.</p>"
    count = len(found.moments)
    note = (
        "<p class=note>EBU R 103: red, green, blue and luma from −5 to 105 % (versions 2.0 and 3.0); preferred, luma "
        "from −1 to 103 % (version 1.1). Up to 1 % of the picture may lie beyond. Single pixels, unfiltered; the worst "
        f"of {count} {'frame' if count == 1 else 'frames'}.</p>"
    )
    return "<h3>Readings</h3>" + words + _table("", ("reading", "before", "after"), rows) + note


def _side(off: float) -> str:
    if abs(off) < 0.05:
        return "on it"
    return f"{abs(off):.1f}° {'yellower' if off > 0 else 'redder'}"


def _far(far: Distance | None) -> str:
    return "–" if far is None else f"{_signed(far.angle, 1, '°')}, ΔE00 {far.delta_e:.2f}"


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


def _over_time(findings: Findings, found: ClipFindings) -> str:
    moments = found.moments
    if len(moments) < 2:
        return ""
    frames = [moment.frame for moment in moments]

    def values(side: str, pick: Any) -> list[float]:
        readings = [getattr(moment, side) for moment in moments]
        return [_NAN if reading is None else pick(reading) for reading in readings]

    strips = [
        strip("Hue", "°", frames,
              [Line(side, values(side, lambda r: r.angle)) for side in ("before", "after")],
              target=findings.target.angle, least_span=4.0),
        strip("Luma", " %", frames,
              [Line(side, values(side, lambda r: r.luma[1] * 100)) for side in ("before", "after")],
              least_span=10.0, digits=0),
        strip("Keyed area", " %", frames, [Line("after", values("after", lambda r: r.area * 100))], least_span=4.0),
    ]  # fmt: skip
    key = "".join(f'<span class="k {name}">{name}</span>' for name in ("before", "after", "target"))
    return f"<h3>Over time</h3><p class=key>{key}</p>{''.join(strips)}{_flicker_words(found.flicker, len(frames))}"


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
        return f"{len(value.get('knots', ()))} keyframes"
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
