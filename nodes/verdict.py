"""The judge: readings and a target in; status, sentence and fix out. Command line, desk, reports and hosts ask it.

What is judged is the final picture, as it is seen; the picture with its light alone corrected tells how far the skin
had to be moved. Every limit stands in :data:`~inkarnat.nodes.limits.LIMITS`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from ..kernels.angles import wrapped
from .likeness import Distance, Skin, distance
from .limits import CHECK, HOLDS, LIMITS, NOT_JUDGED, OFF, SKINS, STATUSES, beyond, status_of
from .solve import BLUE_FROM, MEASURED_MEAN, SKIN_LINE, SkinReading, SkinTarget, Warned

CARD, EDGES, AS_SHOT, COPY, BY_HAND, UNREAD = "card", "edges", "as shot", "copy", "by hand", "not read"
"""How the light of a clip was found: by something neutral in it, from the picture's edges, left as it was shot, copied
from another clip, typed, or left as it is because nothing tells it."""

FIXES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "light": (
            "Give --neutral SAMPLE on something grey, or --light edges.",
            "Mark something neutral and balance by it, or let the edges suggest a balance.",
        ),
        "neutral": ("Give --neutral SAMPLE on something grey.", "Mark something neutral and balance by it."),
        "card": (
            "Look whether --neutral lies on something grey, and whether --add lies on skin.",
            "Look whether the neutral mark lies on something grey, and the skin marks on skin.",
        ),
        "sample": (
            "Give --add SAMPLE on lit skin (to `inkarnat carry` with --solve-again).",
            "Mark lit skin, learn and solve again.",
        ),
        "keep out": (
            "Give --subtract SAMPLE on what is no skin, or --keep-in SHAPE round the person.",
            "Mark what is no skin as keep out, or draw a region round the person.",
        ),
        "solve": (
            "Solve it again with `inkarnat correct` (`inkarnat carry` does with --solve-again and --add).",
            "Press Solve.",
        ),
        "hand": (
            "A hand moved it: leave --turn and its like out, or `inkarnat graph set G.json steer.turn=solved`.",
            "A hand moved it: go back to solved.",
        ),
        "again": (
            "Give --neutral SAMPLE on this clip; where the camera or the light differs, --solve-again with --add; "
            "for another person, `inkarnat correct` of their own.",
            "Mark something neutral on this clip; where the camera or the light differs, mark its skin and solve it; "
            "for another person, begin a correction of their own.",
        ),
        "saturation": (
            "Ask for another --target-ratio, or balance the light first.",
            "Ask for another saturation of the target, or balance the light first.",
        ),
        "skin saturation": (
            "Set --skin-saturation nearer to 1, or give the --target-ratio that is wanted.",
            "Set the skin's saturation nearer to 1, or give the target a saturation.",
        ),
        "target": (
            "Approve the person on another frame, or ask for another --target-angle.",
            "Approve the person on another frame, or ask for another angle of the target.",
        ),
        "view": ("Give the --view that the target was approved under.", "Read through the view of the target."),
        "space": (
            "Give --input-space with what it holds, or bt709 where the file is wrong.",
            "Convert the footage to BT.709 first, or mend what its file says.",
        ),
        "alpha": (
            "Give the picture without its alpha, or with one that shows the skin.",
            "Take the picture without its alpha, or with one that shows the skin.",
        ),
        "look": (
            "Judge the correction without the look: give its own graph.",
            "Judge the correction without the look.",
        ),
        "keep more": (
            "Give a larger --keep-skin, or a gentler look.",
            "Keep more of the skin from the look, or make the look gentler.",
        ),
        "matte": (
            "Look at the matte first (`inkarnat stills CLIP --graph G.json -o DIR`); where it is right, "
            "`inkarnat graph set G.json skin=accepted`.",
            "Look at the matte first; where it is right, accept it (on the desk, tick matte accepted; in a host, press "
            "Accept the matte).",
        ),
        "drift": (
            "Give --follow-drift, balance the light first, or correct the parts on their own: --frames with a --frame "
            "in them.",
            "Set keyframes, balance the light first, or cut the clip and correct the parts.",
        ),
        "cut": (
            "Correct both sides on their own: --frames with a --frame in them.",
            "Cut the clip, and correct the parts on their own.",
        ),
        "darker": (
            "Give less --exposure or --white; what was burnt out as it was shot stays so.",
            "Take exposure or white down; what was burnt out as it was shot stays so.",
        ),
        "level": (
            "Give an --exposure or levels at which the skin lies between, or --add on skin that does.",
            "Set an exposure or levels at which the skin lies between, or mark skin that does.",
        ),
        "people": (
            "--subject gives each person their own correction; where a face is not meant, such as a picture on a wall, "
            "mark the one that is.",
            "Give each person a key of their own: a person on the desk, a further effect in a host; where a face is "
            "not meant, such as a picture on a wall, mark the one that is.",
        ),
        "frame": ("Name frames that show skin with --frames.", "Go to a frame that shows skin."),
    }
)
"""Fix → what clears a doubt on the command line, and with the controls of a host or the desk."""

COMMAND, CONTROL = 0, 1
"""Which of the two words of a fix a surface shows."""


@dataclass(frozen=True)
class Aim:
    """What skin is judged against.

    :ivar target: the angle with its bias, the saturation where one is wanted, and what of the skin rests there.
    :ivar name: of the approved person, or "" for the line used here. :ivar luma: of the approved skin, if known.
    :ivar view: the view under which the target was approved; None where it goes with any. :ivar line: the line used in
        this project, degrees.
    """

    target: SkinTarget = field(default_factory=SkinTarget)
    name: str = ""
    luma: float | None = None
    view: str | None = None
    line: float = SKIN_LINE

    @property
    def angle(self) -> float:
        """Where the skin should rest, degrees, bias included."""
        return self.target.angle + self.target.bias

    def whose(self) -> str:
        """Say whose skin or which line it is."""
        bias = f" with a bias of {self.target.bias:+.1f}°".replace("-", "−") if self.target.bias else ""
        own = "the line used here" if self.target.angle == self.line else "the angle asked for"
        return f"{self.name}'s approved skin{bias}" if self.name else f"{own}{bias}"

    def words(self) -> str:
        """Say what it is."""
        return f"{self.whose()}, {self.angle:.1f}°"


@dataclass(frozen=True)
class LeftBehind:
    """The part of a known face that is not keyed.

    :ivar share: of the face. :ivar angle: its hue in the final picture, degrees.
    :ivar moved: how far it was turned after the light, degrees, and the factor on its saturation: none and 1 where
        nothing moved it. None where that is not known.
    """

    share: float
    angle: float
    moved: tuple[float, float] | None = None


@dataclass(frozen=True)
class Evidence:
    """What is known about corrected skin.

    :ivar light: the reading under the matte with the light alone corrected. :ivar final: after the whole chain, as it
        is seen; None where nothing could be read, with ``missing`` saying why. :ivar balance: mired and Duv.
    :ivar light_by: how the light was found, or "" where that is not known. :ivar sampled: whether somebody or a face
        said what is skin; the natural range alone does not, as it keys whatever has the colour of skin.
    :ivar area_change: of the keyed area, 0 for none; over the clip, or against the face's size on the reference.
    :ivar face: what of a known face is left behind. :ivar kept: by how much skin is kept from a look, 0 to 1, or None
        where there is no look. :ivar without_look: the reading before that look. :ivar aimed: what the final reading
        would be if the skin lay on its target before the look; None where that is not known.
    :ivar beside: the final reading of the clip that this one should agree with, and ``beside_name`` its name.
    :ivar view: the view that is looked through, "" for none. :ivar by_hand: whether a hand moved the skin after the
        solve, or in its place. :ivar doubts: the signs that the matte wants a look, see :func:`.judge_matte`.
    :ivar accepted: whether somebody looked at this matte and found it right; then no sign of it counts.
    :ivar wander: degrees of hue between the farthest frames of the clip under this one correction; 0 where one frame
        was looked at. :ivar cut: the first frame behind a cut in the clip, None where none was looked for or found.
    :ivar across: degrees by which the skin behind the cut lies from that before it, and ``paled`` the factor on its
        saturation there.
    :ivar burnt: share of the keyed skin that is at white or beyond, see :func:`.burnt_out`.
    :ivar card: share of the mark that the light was balanced by which is keyed as skin.
    :ivar faces: hues of the reddest and the yellowest face in one key, in the end; None for fewer than two.
    :ivar misread: that the footage states another signal than the one it is read as, without a full stop, or "".
    """

    light: SkinReading | None
    final: SkinReading | None
    balance: tuple[float, float] = (0.0, 0.0)
    light_by: str = ""
    sampled: bool = True
    area_change: float | None = None
    face: LeftBehind | None = None
    kept: float | None = None
    without_look: SkinReading | None = None
    aimed: SkinReading | None = None
    beside: SkinReading | None = None
    beside_name: str = ""
    view: str = ""
    missing: str = ""
    by_hand: bool = False
    doubts: tuple[Warned, ...] = ()
    accepted: bool = False
    misread: str = ""
    wander: float = 0.0
    cut: int | None = None
    across: float = 0.0
    paled: float = 1.0
    burnt: float = 0.0
    faces: tuple[float, float] | None = None
    card: float = 0.0

    @property
    def turn(self) -> float:
        """How far the skin was turned after the light and before a look, degrees."""
        turned = self.final if self.kept is None else self.without_look
        if self.light is None or turned is None:
            return 0.0
        return wrapped(turned.angle - self.light.angle)


@dataclass(frozen=True)
class Finding:
    """One thing that was found: its status, the sentence that says it, and the fix that clears it."""

    status: str
    sentence: str
    fix: str = ""

    def words(self, surface: int = COMMAND) -> str:
        """Return the sentence with the fix in the words of a surface."""
        return f"{self.sentence} {FIXES[self.fix][surface]}" if self.fix else self.sentence


@dataclass(frozen=True)
class Verdict:
    """How a correction holds: the worst finding gives status and sentence.

    :ivar findings: at least one, the worst first. :ivar drift: from the target; None where nothing was read.
    """

    findings: tuple[Finding, ...]
    drift: Distance | None = None

    @property
    def status(self) -> str:
        """The status: holds, check, off or not judged."""
        return self.findings[0].status

    @property
    def sentence(self) -> str:
        """The sentence beside the status."""
        return self.findings[0].sentence

    def fix(self, surface: int = COMMAND) -> str:
        """Return what clears the status, in the words of a surface; "" where nothing needs to be cleared."""
        return FIXES[self.findings[0].fix][surface] if self.findings[0].fix else ""

    def words(self, surface: int = COMMAND) -> str:
        """Return status, sentence and fix as one line."""
        return f"{self.status}: {self.findings[0].words(surface)}"

    def lines(self, surface: int = COMMAND) -> tuple[str, ...]:
        """Return one line for each finding; below a worse one, what holds does not say so as if it were the status."""
        return tuple(
            finding.words(surface)
            if finding.status == HOLDS != self.status
            else f"{finding.status}: {finding.words(surface)}"
            for finding in self.findings
        )

    def as_dict(self, surface: int = COMMAND) -> dict[str, Any]:
        """Return the verdict as plain JSON data."""
        return {
            "status": self.status,
            "sentence": self.sentence,
            "fix": self.fix(surface),
            "drift": None if self.drift is None else self.drift.as_dict(),
            "findings": [
                {"status": f.status, "sentence": f.sentence, "fix": FIXES[f.fix][surface] if f.fix else ""}
                for f in self.findings
            ],
        }


def judge(evidence: Evidence, aim: Aim | None) -> Verdict:
    """Judge corrected skin by how far it lies from what it should be, and by the signs that say to doubt it.

    :param aim: what it should be; None where there is nothing independent to judge it by.

    Hue and saturation count, the level does not. The status is that of the worst finding; where only the target is
    missing, the doubts count all the same. Skin that is read through a matte in doubt is *check* at best, until the
    matte is another or was accepted.

    >>> import numpy as np
    >>> from inkarnat.nodes import Aim, Evidence, measure_skin
    >>> skin = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> reading = measure_skin(skin, np.ones((90, 160), np.float32))
    >>> judge(Evidence(reading, reading), None).status
    'not judged'
    """
    drift, about_skin = _skin_finding(evidence, aim)
    doubts = [
        *_target_findings(evidence, aim),
        *_light_findings(evidence),
        *_look_findings(evidence, aim),
        *_saturation_findings(evidence, aim),
        *_colour_findings(evidence),
        *_key_findings(evidence),
        *_beside_findings(evidence),
        *_clip_findings(evidence),
    ]
    worst = sorted([*_matte_findings(evidence), about_skin, *doubts], key=lambda f: _RANK[f.status], reverse=True)
    return Verdict(tuple(worst), drift)


_RANK = {HOLDS: 0, NOT_JUDGED: 1, CHECK: 2, OFF: 3}


def worst_first(verdicts: Iterable[Verdict]) -> list[int]:
    """Return the places of verdicts, the worst first; of one status, the farthest from the target first.

    >>> worst_first([])
    []
    """

    def place(item: tuple[int, Verdict]) -> tuple[int, float, int]:
        number, verdict = item
        return -_RANK[verdict.status], -(verdict.drift.delta_e if verdict.drift is not None else 0.0), number

    return [number for number, _ in sorted(enumerate(verdicts), key=place)]


def together(verdicts: Mapping[str, Verdict]) -> Verdict:
    """Return one verdict on several people, each finding under its person's name; the worst person counts.

    :param verdicts: by name, at least one; "" for the only one.

    >>> one = Verdict((Finding("holds", "The skin reads 123.0°."),))
    >>> together({"": one}) is one
    True
    """
    order = worst_first(verdicts.values())
    known = list(verdicts.items())
    if len(known) == 1:
        return known[0][1]
    found = [replace(each, sentence=f"{known[n][0]}: {each.sentence}") for n in order for each in known[n][1].findings]
    worst = sorted(found, key=lambda f: _RANK[f.status], reverse=True)
    return Verdict(tuple(worst), known[order[0]][1].drift)


# --- the skin itself ----------------------------------------------------------------------------------------


def _skin_finding(evidence: Evidence, aim: Aim | None) -> tuple[Distance | None, Finding]:
    final = evidence.final
    if final is None:
        why = evidence.missing or "The key finds no skin to read."
        return None, Finding(OFF if evidence.sampled else NOT_JUDGED, why, "sample")
    reads = f"The skin reads {final.angle:.1f}°, saturation {final.ratio:.3f}"
    if not evidence.sampled:
        why = "nobody said what is skin, and the natural range keys all that has its colour"
        return None, Finding(NOT_JUDGED, f"The skin reads {final.angle:.1f}°: {why}.", "sample")
    if evidence.misread:
        return None, Finding(NOT_JUDGED, f"{reads}: {evidence.misread}.", "space")
    if status_of("transparent", final.transparent) != HOLDS:
        why = f"{final.transparent:.0%} of the keyed skin is transparent, so nobody sees it"
        return None, Finding(NOT_JUDGED, f"{reads}: {why}.", "alpha")
    if aim is None:
        return None, Finding(NOT_JUDGED, f"{reads}: there is no target to judge it by.", "")
    if aim.view is not None and aim.view != evidence.view:
        under, seen = (name or "no view" for name in (aim.view, evidence.view))
        why = f"{aim.words()}, was approved under {under}, and this is read under {seen}"
        return None, Finding(NOT_JUDGED, f"{reads}: {why}.", "view")
    unsure = evidence.light_by in (EDGES, COPY, UNREAD)
    if evidence.kept is None:
        drift, finding = _compared(final, aim, unsure, beside=_of_skins(aim))
        moved = evidence.by_hand and finding.fix in ("solve", "again", "saturation")
        return drift, replace(finding, fix="hand") if moved else finding
    if evidence.aimed is None or not evidence.kept:
        return None, Finding(NOT_JUDGED, f"{reads}: not judged, skin kept {evidence.kept:.0%}.", "look")
    between = _kept_from_a_look(aim, evidence.aimed)
    return _compared(
        final,
        between,
        unsure,
        f"{aim.whose()} as it comes out, kept {evidence.kept:.0%} from the look: {between.angle:.1f}°",
        _of_skins(aim),
    )


def _kept_from_a_look(aim: Aim, aimed: SkinReading) -> Aim:
    """Return the target between skin on its target and the same skin wholly under the look, as it reads there."""
    ratio = None if aim.target.ratio is None else aimed.ratio
    between = replace(aim.target, angle=_resting(aimed, aim.target) % 360, bias=0.0, ratio=ratio)
    return replace(aim, target=between, luma=None if aim.luma is None else aimed.luma[1])


def _resting(reading: SkinReading, target: SkinTarget) -> float:
    """Return the hue of what should rest on a target: the centre of the energy, or one of its edges."""
    return {"centre": reading.angle, "redder": reading.hue_range[1], "yellower": reading.hue_range[0]}[target.landing]


def _of_skins(aim: Aim) -> str:
    """Say where measured skins lie, where what is aimed at lies far from them and is not doubted for that."""
    far = beyond("far from skins", wrapped(aim.angle - MEASURED_MEAN)) and not beyond("target", _off_the_line(aim))
    return f"; measured skins lie at {SKINS[0]:.1f} to {SKINS[1]:.1f}°" if far else ""


def _off_the_line(aim: Aim) -> float:
    return wrapped(aim.angle - SKIN_LINE)


def _compared(
    final: SkinReading, aim: Aim, light_unsure: bool = False, target: str = "", beside: str = ""
) -> tuple[Distance, Finding]:
    """Compare a reading with a target, called ``target``, in hue, and in saturation where the target has one.

    :param beside: what else there is to say of the target, whatever comes of it.
    """
    rests, target = _resting(final, aim.target), target or aim.words()
    luma = final.luma[1] if aim.luma is None else aim.luma
    ratio = final.ratio if aim.target.ratio is None else aim.target.ratio
    drift = distance(
        Skin(rests, final.ratio, final.luma[1], final.black), Skin(aim.angle % 360, ratio, luma, final.black)
    )
    status = max((status_of("hue", drift.angle), status_of("colour", drift.delta_e)), key=_RANK.__getitem__)
    what = "The skin" if aim.target.landing == "centre" else f"The {_OTHER[aim.target.landing]} edge of the skin"
    if status == HOLDS and abs(drift.angle) < LIMITS["missed hue"].check:  # type: ignore[operator]
        place = f"on {target}"
    else:
        place = f"{abs(drift.angle):.1f}° {_side(drift.angle)} than {target}"
    saturation = "" if aim.target.ratio is None else f", its saturation × {drift.ratio:.2f} of the target's"
    sentence = f"{what} reads {rests:.1f}°, {place}{saturation}{beside}"
    if status == HOLDS:
        return drift, Finding(HOLDS, f"{sentence}{_hue_alone(final, aim)}.")
    sentence += "."
    if status_of("hue", drift.angle) == HOLDS:
        return drift, Finding(status, sentence, "saturation")
    return drift, Finding(status, sentence, "again" if light_unsure else "solve")


def _hue_alone(final: SkinReading, aim: Aim) -> str:
    """Say that what holds does so in its hue, where no saturation is aimed at and its own is unusual."""
    if aim.target.ratio is not None or final.unusual_colour is None:
        return ""
    share = f"its colour is × {final.unusual_colour:.2f} of what measured skins have at its level"
    return f"; the hue alone is judged, and {share}"


_OTHER = {"redder": "yellower", "yellower": "redder"}
_FAR_SIDE = 15.0
"""Degrees from which a hue is called by what the eye sees, green or violet."""


def _side(angle: float) -> str:
    """Say to which side a hue lies."""
    if abs(angle) > BLUE_FROM:
        return "bluer"
    if abs(angle) > _FAR_SIDE:
        return "greener" if angle > 0 else "more violet"
    return "yellower" if angle > 0 else "redder"


# --- what there is to doubt ---------------------------------------------------------------------------------


def _matte_findings(evidence: Evidence) -> Iterable[Finding]:
    """Doubt what is read through a matte that is doubted; where nobody said what is skin, nothing is judged anyway."""
    if evidence.sampled and not evidence.accepted:
        yield from (Finding(CHECK, doubt.message, "matte") for doubt in evidence.doubts)


def _target_findings(evidence: Evidence, aim: Aim | None) -> Iterable[Finding]:
    """Doubt what is aimed at where no skin lies: a person approved from a bad frame, or a slip in what was typed."""
    if aim is None or evidence.final is None or not evidence.sampled:
        return
    off = _off_the_line(aim)
    if (status := status_of("target", off)) != HOLDS:
        sentence = (
            f"What is aimed at, {aim.words()}, lies {abs(off):.0f}° from the skin line ({LIMITS['target'].check:g}° "
            "are doubted): no skin in white light has that hue."
        )
        yield Finding(status, sentence, "target")


def _light_findings(evidence: Evidence) -> Iterable[Finding]:
    if evidence.light_by == UNREAD:
        yield Finding(OFF, "The light could not be read from the picture's edges and was left as it is.", "neutral")
    by_card = evidence.light_by == CARD
    turned = status_of("turn", evidence.turn)
    if turned != HOLDS:
        sentence = (
            f"The skin was turned by {_signed(evidence.turn, 0)}° ({LIMITS['turn'].check:g}° are doubted): the whole "
            "light looks off, something other than skin is keyed, or a hand turned it."
        )
        yield Finding(turned, sentence, "hand" if evidence.by_hand else "card" if by_card else "light")
    if by_card and status_of("card on skin", evidence.card) != HOLDS:
        yield Finding(CHECK, "The neutral mark lies on what is keyed as skin, so the light makes skin grey.", "card")
    names = ("balance by card", "tint by card") if by_card else ("balance", "tint")
    temperature, tint = evidence.balance
    if status_of(names[0], temperature) != HOLDS or status_of(names[1], tint) != HOLDS:
        mired, duv = (LIMITS[name].check or 0.0 for name in names)
        most = f"{mired:g} mired or {1000 * duv:g} thousandths of tint are doubted"
        sentence = (
            f"The light was balanced by {_signed(temperature, 0)} mired and a tint of {_signed(1000 * tint, 1)} "
            f"thousandths ({most}"
            f"{'' if by_card else ' where no card says so'}): the whole light looks off."
        )
        yield Finding(CHECK, sentence, "card" if by_card else "neutral")


def _saturation_findings(evidence: Evidence, aim: Aim | None) -> Iterable[Finding]:
    """Doubt skin that was made much paler or stronger though nobody asked for a saturation: grey skin has a hue too."""
    light, final = evidence.light, _own(evidence)
    asked = aim is not None and aim.target.ratio is not None
    if light is None or final is None or asked:
        return
    said = f"The skin's saturation was changed × {{:.2f}}, from {light.ratio:.3f} to {final.ratio:.3f}"
    yield from _paled("saturation", light.ratio, final.ratio, said, "skin saturation")


def _own(evidence: Evidence) -> SkinReading | None:
    """Return what marked skin reads in the end, without a look that it is kept from; None where nobody marked any."""
    if not evidence.sampled:
        return None
    return evidence.final if evidence.kept is None else evidence.without_look


_PALEST = 1e-3


def _paled(limit: str, before: float, after: float, said: str, fix: str) -> Iterable[Finding]:
    """Doubt a change of saturation that goes beyond a limit.

    :param said: the beginning of the sentence, with a place for the factor.
    """
    factor = max(after, _PALEST) / max(before, _PALEST)
    status, check = status_of(limit, math.log2(factor)), LIMITS[limit].check
    if status != HOLDS and check is not None:
        doubted = f"({2**check:.2g} times as strong or pale is doubted)"
        yield Finding(status, f"{said.format(factor)} {doubted}: it looks {'painted' if factor > 1 else 'grey'}.", fix)


def _colour_findings(evidence: Evidence) -> Iterable[Finding]:
    """Doubt skin with next to no colour, which has a hue by chance, and skin with far too much of it."""
    final = _own(evidence)
    if final is None:
        return
    said = "The skin has × {:.2f} of the colour that measured skins have at its level"
    yield from _paled("colour of skins", final.population_ratio, final.ratio, said, "saturation")


def _look_findings(evidence: Evidence, aim: Aim | None) -> Iterable[Finding]:
    """Doubt a look that takes skin far from its target, or its saturation, though it is kept from it."""
    if evidence.kept and evidence.final is not None and evidence.without_look is not None and evidence.sampled:
        said = f"Kept {evidence.kept:.0%} from it, the look leaves the skin × {{:.2f}} of its saturation"
        yield from _paled("look saturation", evidence.without_look.ratio, evidence.final.ratio, said, "keep more")
    if aim is None or not evidence.kept or evidence.aimed is None:
        return
    taken = wrapped(_resting(evidence.aimed, aim.target) - aim.angle)
    if (status := status_of("look", taken)) != HOLDS:
        sentence = (
            f"Kept {evidence.kept:.0%} from it, the look still takes skin that lies on its target by {abs(taken):.0f}° "
            f"({LIMITS['look'].check:g}° are doubted)."
        )
        yield Finding(status, sentence, "keep more")


def _face_findings(evidence: Evidence) -> Iterable[Finding]:
    """Doubt a face of which a part is left behind: it ends elsewhere, or was not moved like the rest."""
    face, light, final = evidence.face, evidence.light, evidence.final
    if face is None or final is None or (status := status_of("left behind", face.share)) == HOLDS:
        return
    part = f"{_part(face.share)} of this face is left behind"
    if status_of("hue", wrapped(face.angle - final.angle)) != HOLDS:
        yield Finding(status, f"{part}: {face.angle:.0f}° against {final.angle:.0f}°.", "sample")
    elif face.moved is not None and light is not None:
        turn = wrapped(final.angle - light.angle) - face.moved[0]
        factor = final.ratio / max(light.ratio * face.moved[1], 1e-6)
        skin = Skin.of(final)
        apart = distance(skin, replace(skin, angle=skin.angle - turn, ratio=skin.ratio / max(factor, 1e-6)))
        seam = max(status_of("hue", apart.angle), status_of("colour", apart.delta_e), key=_RANK.__getitem__)
        if seam != HOLDS:
            side = "redder" if turn < 0 else "yellower"
            moved = f"{abs(turn):.1f}° {side}, its saturation × {factor:.2f}"
            yield Finding(min(status, seam, key=_RANK.__getitem__), f"{part}: the rest was made {moved}.", "sample")


def apart_findings(faces: tuple[float, float], limit: str) -> Iterable[Finding]:
    """Doubt one key of several people whose faces end farther apart than a limit.

    :param faces: hues of the reddest and the yellowest face, degrees.
    """
    low, high = faces
    if (status := status_of(limit, high - low)) != HOLDS:
        sentence = f"The faces in this key end from {low:.0f}° to {high:.0f}°, as one correction turns them alike."
        yield Finding(status, sentence, "people")


def _key_findings(evidence: Evidence) -> Iterable[Finding]:
    read = evidence.light or evidence.final
    if read is not None and evidence.sampled and not evidence.accepted and status_of("stray", read.stray) != HOLDS:
        sentence = (
            f"{read.stray:.0%} of the keyed colour lies more than 20° from the skin's centre (at most "
            f"{LIMITS['stray'].check:.0%} should): something other than skin is keyed, or skin in other light."
        )
        yield Finding(CHECK, sentence, "keep out")
    final = evidence.final
    if final is not None and evidence.sampled and (status := status_of("unread", final.unread)) != HOLDS:
        sentence = (
            f"{final.unread:.0%} of the keyed skin is black or at white ({LIMITS['unread'].check:.0%} are doubted), "
            "where no hue is read: what is said is of the rest alone."
        )
        yield Finding(status, sentence, "level")
    if evidence.sampled and (status := status_of("burnt out", evidence.burnt)) != HOLDS:
        sentence = (
            f"{evidence.burnt:.0%} of the keyed skin is at white or beyond ({LIMITS['burnt out'].check:.0%} "
            "are doubted): it is burnt out, or will be in files of whole numbers."
        )
        yield Finding(status, sentence, "darker")
    yield from _face_findings(evidence)
    if evidence.faces is not None and evidence.sampled:
        yield from apart_findings(evidence.faces, "faces in one key")
    if evidence.area_change is not None and (status := status_of("area", evidence.area_change)) != HOLDS:
        amount = f"{abs(evidence.area_change):.0%} {'more' if evidence.area_change > 0 else 'less'}"
        fix = "keep out" if evidence.area_change > 0 else "sample"
        yield Finding(status, f"The key covers {amount} of the skin than it should.", fix)


def _beside_findings(evidence: Evidence) -> Iterable[Finding]:
    """Compare clips that belong together: the same skin should read alike in all of them."""
    final, beside = evidence.final, evidence.beside
    if final is None or beside is None or not evidence.sampled:
        return
    apart = distance(Skin.of(final), Skin.of(beside))
    status = max((status_of("hue", apart.angle), status_of("colour", apart.delta_e)), key=_RANK.__getitem__)
    if status != HOLDS:
        yield Finding(status, f"The skin differs from {evidence.beside_name}'s: {apart.words()}.", "again")


def _clip_findings(evidence: Evidence) -> Iterable[Finding]:
    """Doubt a clip through which the skin wanders: what holds on one frame of it says little of the others."""
    if not evidence.sampled:
        return
    if (status := status_of("over the clip", evidence.wander)) != HOLDS:
        sentence = (
            f"The hue of the skin wanders by {evidence.wander:.1f}° through the clip under this one correction "
            f"({LIMITS['over the clip'].check:g}° are doubted): "
        )
        if evidence.cut is not None:
            yield Finding(status, f"{sentence}there is a cut at frame {evidence.cut}.", "cut")
        else:
            yield Finding(status, f"{sentence}other light, another person, or a matte that changes.", "drift")
    elif evidence.cut is not None and evidence.final is not None:
        here = Skin.of(evidence.final)
        hue = f"the skin is {abs(evidence.across):.1f}° {_side(evidence.across)}"
        saturation = f"the skin's saturation is × {evidence.paled:.2f}"
        apart = distance(replace(here, ratio=here.ratio * evidence.paled), here)
        told = [
            *([hue] if beyond("behind a cut", evidence.across) else []),
            *([saturation] if beyond("saturation behind a cut", apart.delta_e) else []),
        ]
        if told:
            behind = " and ".join(told)
            sentence = f"There is a cut at frame {evidence.cut}: behind it {behind} under this one correction."
            yield Finding(CHECK, sentence, "cut")


def _part(share: float) -> str:
    """Say a share as people say it."""
    for name, low, high in (("A quarter", 0.22, 0.28), ("A third", 0.3, 0.37), ("Half", 0.46, 0.54)):
        if low <= share <= high:
            return name
    return f"{share:.0%}"


def _signed(value: float, digits: int) -> str:
    shown = f"{abs(value):.{digits}f}"
    return shown if float(shown) == 0 else f"{'+' if value > 0 else '−'}{shown}"


def shape(status: str) -> str:
    """Return the sign of a status."""
    return STATUSES[status][0]


# --- a solve on its own frame -------------------------------------------------------------------------------


def missed(final: SkinReading, aim: Aim, why: str = "") -> tuple[str, ...]:
    """Say by how much a solve missed its target on the frame it was solved on, and why; nothing where it hit.

    Hue from .5° and saturation from 3 % are told: see :data:`LIMITS`.

    >>> import numpy as np
    >>> from inkarnat.nodes import Aim, measure_skin
    >>> skin = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> missed(measure_skin(skin, np.ones((90, 160), np.float32)), Aim())
    ("The target's hue was missed by 4.3°: 127.3° instead of 123.0°.",)
    """
    drift, _ = _compared(final, aim)
    told = []
    because = f" {why}" if why else ""
    if status_of("missed hue", drift.angle) != HOLDS:
        told.append(
            f"The target's hue was missed by {abs(drift.angle):.1f}°: {drift.angle + aim.angle:.1f}° instead of "
            f"{aim.angle:.1f}°.{because}"
        )
    if aim.target.ratio is not None and status_of("missed saturation", drift.ratio - 1) != HOLDS:
        told.append(
            f"The target's saturation was missed by {abs(drift.ratio - 1):.0%}: {final.ratio:.3f} instead of "
            f"{aim.target.ratio:.3f}.{because}"
        )
    return tuple(told)


def side_note(final: SkinReading, target: SkinTarget) -> str:
    """Say once where a bias and an edge on the same side take the centre of the skin; "" where they do not.

    >>> import numpy as np
    >>> from inkarnat.nodes import SkinTarget, measure_skin
    >>> skin = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> side_note(measure_skin(skin, np.ones((90, 160), np.float32)), SkinTarget())
    ''
    """
    same = {"redder": target.bias < 0, "yellower": target.bias > 0}.get(target.landing, False)
    if not same:
        return ""
    off = wrapped(final.angle - target.angle)
    return (
        f"The skin rests with its edge on the target, and the bias of {_signed(target.bias, 1)}° moves it further to "
        f"the same side: its centre ends at {final.angle:.1f}°, {abs(off):.1f}° {_side(off)} than {target.angle:g}°. "
        "Use --rest centre, or a smaller --bias, where that is too much."
    )
