"""Correct skin: the whole job in one effect, for hosts that have no node graph."""

from __future__ import annotations

import dataclasses
import functools
import json
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from ..kernels.arrays import Floats, as_picture, as_plane, checked, copied
from ..kernels.errors import InkarnatError
from .apart import faces_apart, hues_of_faces
from .balance import TRANSFERS, Balance, solve_balance
from .chain import LEVELS_FIRST, LEVELS_LAST, REST, Order, through
from .declare import (
    ACCEPTED,
    HAND,
    LANDMARKS,
    MARKS,
    PERSONS,
    PRESENCE,
    Action,
    Handle,
    Matte,
    Node,
    Param,
    ParamError,
    Picture,
    Place,
    Rows,
    choice,
    degrees,
    like,
    number,
    text,
)
from .doubt import LEARNED_SIGNS, burnt_out, judge_seen, left_behind, not_skin, strange_marks, worst_left_behind
from .face import FaceMatte, JoinFaces, face_handles
from .key import SkinKey, SkinKey1
from .learning import LearnedKey, study_skin, told_by, with_faces
from .look import ProtectMatte
from .matte import SoftenMatte
from .people import People
from .sample import Sample, SampleError
from .solve import BY_LIGHT, SKIN_LINE, SkinTarget, Warned, measure_skin, solve_steer
from .steer import Blend, KeepSkin, SteerSkin
from .tone import ToneCurve, solve_neutral_black
from .verdict import CARD, CONTROL, Aim, Evidence, judge
from .view import VIEWS, ShowMatte

_VIEWS = {"result": "the corrected picture", **VIEWS, "split": "the left half as it came, the right half corrected"}


@dataclass(frozen=True)
class CorrectSkin1(Node):
    """Balance the picture, key the skin, soften the matte, steer the skin, then set levels and saturation.

    As version 0.1.0 did it, for projects that hosts saved with it: levels and saturation come last. New work takes the
    effect of the same name and the next major version. A second matte, where given, limits the key.
    """

    name = "correct_skin"
    label = "Correct skin (levels last)"
    group = "steer"
    reads_signal = True

    view: str = choice("result", _VIEWS, "What the effect shows.")
    temperature: float = number(
        0.0, -400, 120, "Lower cools toward blue, higher warms toward amber.", unit="mired", shown=(-150, 100)
    )
    tint: float = number(
        0.0, -0.05, 0.05, "Lower turns toward green, higher toward magenta.", unit="Duv", shown=(-0.03, 0.03)
    )
    transfer: str = choice("bt709", TRANSFERS, "How the picture's signal becomes linear light.")
    model: str = text("", "What was learned from samples of skin; empty takes the natural range of skin.")
    width: float = number(0.0, -0.5, 0.5, "Widen (above 0) or narrow (below 0) the key as a whole.", shown=(-0.3, 0.3))
    shadow_reach: float = number(1.0, 0.25, 4.0, "Above 1 reaches further into shadow and beard than was sampled.")
    highlight_reach: float = number(1.0, 0.25, 4.0, "Above 1 reaches further into shine and highlights.")
    softness: float = number(1.5, 0, 20, "Softness of the matte's edge, in thousandths of the frame height.")
    angle: float = degrees(0.0, -180, 180, "Turn of the skin's hue; above 0 goes toward yellow.", shown=(-45, 45))
    skin_saturation: float = number(1.0, 0, 4, "Factor on the skin's saturation.", shown=(0, 2))
    amount: float = number(1.0, 0, 1, "How much of the steering is applied.")
    black: float = number(0.0, -1, 1, "Level of the picture that becomes black.", shown=(-0.1, 0.3))
    white: float = number(1.0, 0, 4, "Level of the picture that becomes white.", shown=(0.6, 1.2))
    saturation: float = number(1.0, 0, 10, "Factor on the saturation of the whole picture.", shown=(0, 2))
    split_at: float = number(0.5, 0, 1, "Where the split view turns from the picture as it came to the corrected one.")

    def __post_init__(self) -> None:
        super().__post_init__()
        for word in ("tone", "skin"):  # these have rules that span several parameters
            self._node(word)

    def _node(self, word: str) -> Any:
        """Return one step of the standard chain as it is set here."""
        return self._nodes[word]

    @functools.cached_property
    def _nodes(self) -> dict[str, Any]:
        """All steps as they are set here: found once, not for every frame."""
        return {
            word: dataclasses.replace(self._rest(word), **{field: getattr(self, own) for field, own in fields.items()})
            for word, fields in self._set().items()
        }

    def _rest(self, word: str) -> Any:
        """Return one step as it is where nothing is set."""
        return SkinKey1() if word == "skin" else REST[word]

    def _order(self) -> Order:
        return LEVELS_LAST

    def _set(self) -> Mapping[str, Mapping[str, str]]:
        return _SET

    def _picture_nodes(self) -> dict[str, Node]:
        order = self._order()
        return {word: self._node(word) for word in (*order.before, *order.after)}

    def balanced(self, image: Picture) -> Picture:
        """Return the picture that the key reads: balanced, and with its levels set where they come first."""
        return through(self._order().before, self._picture_nodes(), image)

    def matte(self, balanced: Picture, limit: Matte | None = None) -> Matte:
        """Return the softened matte of the skin in a balanced picture."""
        matte = self._softened(balanced).whole()
        return matte if limit is None else matte * np.clip(as_plane(limit, "limit", like=matte.shape), 0, 1)

    def is_identity(self) -> bool:
        """Tell whether the result is shown and no step changes anything."""
        steps = (*self._picture_nodes().values(), self._node("steer"))
        return self.view in ("result", "split") and all(step.is_identity() for step in steps)

    def process(self, image: Picture, limit: Matte | None = None, *, out: Floats | None = None) -> Picture:
        """Return the corrected picture or the chosen view."""
        image = as_picture(image)
        if limit is not None:
            limit = as_plane(limit, "limit", like=image.shape[:2])
        out = checked(out, image.shape, image, *([] if limit is None else [limit]))
        if self.is_identity():
            return copied(image, out)
        if self.view not in ("result", "luma", "split"):
            balanced = self.balanced(image)
            return ShowMatte(view=self.view).process(balanced, self.matte(balanced, limit), out=out)
        if self.view == "luma":
            graded = self._graded(image, limit)
            return ShowMatte(view="luma").process(graded, np.zeros(graded.shape[:2], np.float32), out=out)
        graded = self._graded(image, limit, out)
        if self.view == "split":
            left = int(image.shape[1] * self.split_at)
            graded[:, :left] = image[:, :left]
        return graded

    def _graded(self, image: Picture, limit: Matte | None, out: Floats | None = None) -> Picture:
        """Return the corrected picture; the last step that changes anything makes it in ``out``."""
        nodes, steer, order = self._picture_nodes(), self._node("steer"), self._order()
        is_last = all(nodes[word].is_identity() for word in order.after)
        balanced = through(order.before, nodes, image, out if is_last and steer.is_identity() else None)
        return through(order.after, nodes, self._steered(steer, balanced, limit, out if is_last else None), out)

    def _steered(self, steer: SteerSkin, balanced: Picture, limit: Matte | None, out: Floats | None) -> Picture:
        """Return the steered picture: along with the matte where no limit stands between the two."""
        if steer.is_identity():
            return balanced
        matte = self._softened(balanced) if limit is None else self.matte(balanced, limit)
        return steer.process(balanced, matte, out=out)

    def _softened(self, balanced: Picture) -> Rows:
        key, soften = self._node("skin"), self._node("soften")
        rows: Rows = soften.rows(key.rows(balanced) if soften.takes_rows() else key.process(balanced), balanced)
        return rows

    @classmethod
    def panels(cls) -> Mapping[str, Sequence[str]]:
        """Return the steps, in the order in which they work on the picture."""
        return _PANELS

    def unused(self) -> frozenset[str]:
        """Return what has no effect now."""
        unused = set() if self.view == "split" else {"split_at"}
        if self._node("balance").is_identity():
            unused.add("transfer")
        if dataclasses.replace(self._node("steer"), amount=1.0).is_identity():
            unused.add("amount")
        return frozenset(unused)

    def outlines(self, aspect: float) -> Sequence[Sequence[tuple[float, float]]]:
        """Return the line of the split view."""
        return (((self.split_at, 0.0), (self.split_at, 1.0)),) if self.view == "split" else ()

    def handles(self, aspect: float) -> Sequence[Handle]:
        """Return the middle of that line."""
        if self.view != "split":
            return ()
        return (Handle((self.split_at, 0.5), lambda x, y: {"split_at": min(max(x, 0.0), 1.0)}),)

    def after_change(self, names: Collection[str], asked: Asked) -> Sequence[Action] | None:
        """Return what is done anew: learning and solving in another light, and the reading."""
        if _WITHOUT_A_READING.issuperset(names):
            return None
        if asked.get(FREEZE) is False and self.model and not self._before_the_key().isdisjoint(names):
            return (_FOLLOW,)
        changed = set(names) & {*self.params(), *_AIM}
        return (_ACTIONS["read"],) if asked.get(LIVE) and self.model and changed else ()

    def _before_the_key(self) -> frozenset[str]:
        """Return the parameters on which the picture depends that the key reads."""
        fields = (own for word in self._order().before for own in self._set()[word].values())
        return frozenset((*fields, "levels"))

    @classmethod
    def actions(cls) -> Mapping[str, Action]:
        """Return what the effect does on a frame: learn, solve, suggest a balance, read, forget."""
        return _ACTIONS

    @classmethod
    def asks(cls) -> Mapping[str, Param | Place]:
        """Return the samples and the target."""
        return _ASKS


_LEVELS = {
    "first": "before the key: the target is reached in the final picture",
    "last": "behind the steering, as version 0.1.0 did it",
}


@dataclass(frozen=True)
class CorrectSkin(CorrectSkin1):
    """Set light, levels and saturation, key the skin, soften the matte, and steer the skin.

    The same steps, in the same order, as the standard chain of nodes: ``balance``, ``tone_curve``, ``cdl``,
    ``skin_key``, ``soften_matte`` and ``steer_skin`` one after the other. A second matte, where given, limits the key.

    >>> picture = np.full((90, 160, 3), (0.3, 0.4, 0.8), np.float32)  # blue: no skin
    >>> bool(np.allclose(CorrectSkin(angle=5.0).process(picture), picture))
    True
    """

    label = "Correct skin"
    version = 2
    takes_look = True
    closed_panels = ("Faces",)
    param_labels = MappingProxyType(
        {
            "width": "Key width",
            "softness": "Edge blur (‰)",
            "angle": "Turn",
            "amount": "Skin amount",
            "model": "Learned key",
            "split_at": "Split at",
            "landing": "Rest",
        }
    )

    exposure: float = like(Balance, "exposure")
    levels: str = choice("first", _LEVELS, "Where black, white and saturation are set.")
    middle: float = like(ToneCurve, "middle")
    contrast: float = like(ToneCurve, "contrast")
    pivot: float = like(ToneCurve, "pivot")
    curve: tuple[tuple[float, float], ...] = like(ToneCurve, "points")
    neutral_black: tuple[float, float, float] = like(ToneCurve, "neutral_black")
    key_falloff: float = like(SkinKey, "softness")
    specks: float = like(SoftenMatte, "specks")
    pinholes: float = like(SoftenMatte, "pinholes")
    edge: float = like(SoftenMatte, "position")
    edge_follow: float = like(SoftenMatte, "follow")
    skin_temperature: float = like(SteerSkin, "temperature")
    skin_tint: float = like(SteerSkin, "tint")
    face_1_presence: float = number(0.0, 0, 1, "How far the first face counts; 0 where it is not there.")
    face_1_left_eye: tuple[float, float] = like(FaceMatte, "left_eye")
    face_1_right_eye: tuple[float, float] = like(FaceMatte, "right_eye")
    face_1_nose: tuple[float, float] = like(FaceMatte, "nose")
    face_1_left_mouth: tuple[float, float] = like(FaceMatte, "left_mouth")
    face_1_right_mouth: tuple[float, float] = like(FaceMatte, "right_mouth")
    face_2_presence: float = number(0.0, 0, 1, "How far the second face counts; 0 where it is not there.")
    face_2_left_eye: tuple[float, float] = like(FaceMatte, "left_eye")
    face_2_right_eye: tuple[float, float] = like(FaceMatte, "right_eye")
    face_2_nose: tuple[float, float] = like(FaceMatte, "nose")
    face_2_left_mouth: tuple[float, float] = like(FaceMatte, "left_mouth")
    face_2_right_mouth: tuple[float, float] = like(FaceMatte, "right_mouth")
    joined: str = text("", "What was learned from samples about the faces; empty joins every face alike.")
    working_size: str = like(SkinKey, "working_size")

    def _rest(self, word: str) -> Any:
        return REST[word]

    def _order(self) -> Order:
        return LEVELS_FIRST if self.levels == "first" else LEVELS_LAST

    @classmethod
    def panels(cls) -> Mapping[str, Sequence[str]]:
        """Return the steps, in the order in which they work on the picture."""
        return _PANELS_2

    def _set(self) -> Mapping[str, Mapping[str, str]]:
        return _SET_2

    def __post_init__(self) -> None:
        super().__post_init__()
        _joined_of(self.joined)

    @classmethod
    def face_slots(cls) -> Sequence[Mapping[str, str]]:
        """Return the two faces."""
        return _FACES

    def _faces(self) -> tuple[FaceMatte, ...]:
        """Return the faces as they are set, with what was learned about each."""
        _, told, turns = _joined_of(self.joined)
        faces = (
            FaceMatte(**{word: getattr(self, name) for word, name in slot.items()}, turns=turns) for slot in _FACES
        )
        return tuple(dataclasses.replace(face, keyed=keyed) for face, keyed in zip(faces, told, strict=True))

    @functools.cached_property
    def _present(self) -> list[FaceMatte]:
        return [face for face in self._faces() if face.presence > 0]

    @classmethod
    def matte_fields(cls) -> Collection[str]:
        """Return what makes the picture that the key reads, the key, and what softens its matte."""
        steps = dict.fromkeys((*LEVELS_FIRST.before, *LEVELS_LAST.before, "skin", "soften"))
        return ("levels", "joined", *(own for step in steps for own in _SET_2[step].values()))

    def keyed(self, image: Picture, limit: Matte | None = None) -> Matte:
        """Return the softened matte of the skin in a picture as it came."""
        return self.matte(self.balanced(as_picture(image)), limit)

    def protection(self, balanced: Picture, limit: Matte | None = None) -> Matte:
        """Return the matte that keeps skin from a look: that of :meth:`matte` with lips, eyes and teeth."""
        return ProtectMatte().process(self.matte(balanced, limit), told_by(self._present, balanced))

    def _softened(self, balanced: Picture) -> Rows:
        faces = self._present
        if not faces:
            return super()._softened(balanced)
        keyed = with_faces(self._node("skin").process(balanced), balanced, faces, _joined_of(self.joined)[0])
        rows: Rows = self._node("soften").rows(keyed, balanced)
        return rows

    def outlines(self, aspect: float) -> Sequence[Sequence[tuple[float, float]]]:
        """Return the outlines of the faces and the line of the split view."""
        faces = [outline for face in self._faces() for outline in face.outlines(aspect)]
        return (*faces, *super().outlines(aspect))

    def handles(self, aspect: float) -> Sequence[Handle]:
        """Return the landmarks of the faces, what moves each face, and the middle of the split."""
        found = [
            handle
            for number, (slot, face) in enumerate(zip(_FACES, self._faces(), strict=True), start=1)
            if face.presence > 0
            for handle in face_handles(slot, face.landmarks, aspect, f"Face {number}", face.turns)
        ]
        return (*found, *super().handles(aspect))

    def unused(self) -> frozenset[str]:
        """Return what has no effect now."""
        absent = [slot for slot in _FACES if getattr(self, slot[PRESENCE]) == 0]
        return super().unused() | {name for slot in absent for word, name in slot.items() if word != PRESENCE}

    def under_look(
        self,
        look: Callable[[Picture], Picture],
        amount: float,
        keep: float,
        image: Picture,
        limit: Matte | None = None,
        *,
        out: Floats | None = None,
    ) -> Picture:
        """Return what :meth:`process` does with a look over the corrected picture; views of the matte have none.

        :param keep: how far skin returns to its colour before the look, as ``keep_skin`` does it with the matte of
            ``protect_matte``.
        """
        if self.view not in ("result", "split"):
            return self.process(image, limit, out=out)
        image = as_picture(image)
        natural = dataclasses.replace(self, view="result").process(image, limit)
        graded = look(natural)
        if keep:
            graded = KeepSkin(amount=keep).process(graded, natural, self.protection(self.balanced(image), limit))
        shown = Blend(amount).process(natural, graded, out=out)
        if self.view == "split":
            left = int(image.shape[1] * self.split_at)
            shown[:, :left] = image[:, :left]
        return shown

    @classmethod
    def asks(cls) -> Mapping[str, Param | Place]:
        """Return the samples, the target, and what is done by itself."""
        return _ASKS_2

    @classmethod
    def parts(cls) -> Collection[str]:
        """Return what is solved: the light and the steering of the skin."""
        return _PARTS

    @classmethod
    def actions(cls) -> Mapping[str, Action]:
        """Return what the effect does on a frame: also to solve by the skin's temperature and tint."""
        return _ACTIONS_2


_FACES = tuple(
    MappingProxyType({word: f"face_{number}_{word}" for word in (*LANDMARKS, PRESENCE)}) for number in (1, 2)
)
"""The faces of the effect: landmark → field."""


@functools.lru_cache(maxsize=16)
def _joined_of(told: str) -> tuple[JoinFaces, tuple[float, ...], bool]:
    """Return what lays faces over the key, how far each is keyed, and whether they are drawn turning with the head.

    They are read from the text that :func:`_told_of` writes; one that does not tell of turns comes from a key that was
    learned with faces drawn from the front.
    """
    try:
        read = json.loads(told) if told else {}
        for name in (_DOUBTS, _CLOSE_UP):
            read.pop(name, None)
        keyed = tuple(float(value) for value in read.pop("keyed", [1.0] * len(_FACES)))
        turns = read.pop("turns", False)
        if len(keyed) != len(_FACES) or not isinstance(turns, bool):
            raise ValueError
        return JoinFaces(**read), keyed, turns
    except (ValueError, TypeError, AttributeError):
        raise ParamError("correct_skin.joined cannot be read: learn the key again.") from None


def _told_of(learned: LearnedKey, doubts: Sequence[Warned]) -> str:
    told: dict[str, Any] = {}
    if learned.join is not None:
        told |= learned.join.config()["params"] | {"keyed": [face.keyed for face in learned.faces], "turns": True}
    if learned.close_up:
        told[_CLOSE_UP] = True
    if doubts:
        told[_DOUBTS] = [[doubt.sign, doubt.figure, doubt.message] for doubt in doubts]
    return json.dumps(told) if told else ""


_DOUBTS, _CLOSE_UP = "doubts", "close_up"


def _doubts_of(told: str) -> tuple[tuple[Warned, ...], bool]:
    """Return what there was to doubt where the key was learned, and whether skin filled the frame there.

    They are read from the text that :func:`_told_of` writes.
    """
    try:
        read = json.loads(told) if told else {}
        doubts = (Warned(str(sign), float(figure), str(words)) for sign, figure, words in read.get(_DOUBTS, ()))
        return tuple(doubts), read.get(_CLOSE_UP) is True
    except (ValueError, TypeError, AttributeError):
        return (), False


_SET: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "balance": {"temperature": "temperature", "tint": "tint", "transfer": "transfer"},
        "skin": {name: name for name in ("model", "width", "shadow_reach", "highlight_reach")},
        "soften": {"softness": "softness"},
        "steer": {"angle": "angle", "saturation": "skin_saturation", "amount": "amount"},
        "tone": {"black": "black", "white": "white"},
        "saturation": {"saturation": "saturation"},
    }
)
"""What is set here in each step of the standard chain: the step's field → the field of the effect."""

_MORE: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "balance": {"exposure": "exposure"},
        "skin": {"softness": "key_falloff", "working_size": "working_size"},
        "soften": {"specks": "specks", "pinholes": "pinholes", "position": "edge", "follow": "edge_follow"},
        "steer": {"temperature": "skin_temperature", "tint": "skin_tint"},
        "tone": {
            **{name: name for name in ("middle", "contrast", "pivot", "neutral_black")},
            "points": "curve",
        },
    }
)
_SET_2 = MappingProxyType({step: {**fields, **_MORE.get(step, {})} for step, fields in _SET.items()})
"""The same of the second major version."""


_PARTS = ("temperature", "tint", "angle", "skin_saturation", "skin_temperature", "skin_tint")


_PANELS: Mapping[str, Sequence[str]] = MappingProxyType(
    {
        "View": ("view", "split_at"),
        "Light": ("temperature", "tint", "transfer"),
        "Key": ("width", "shadow_reach", "highlight_reach", "softness", "model"),
        "Skin": ("angle", "skin_saturation", "amount"),
        "Levels and saturation": ("black", "white", "saturation"),
    }
)

_PANELS_2: Mapping[str, Sequence[str]] = MappingProxyType(
    {
        "View": _PANELS["View"],
        "Light": ("exposure", *_PANELS["Light"]),
        "Levels and saturation": (
            "black",
            "neutral_black",
            "white",
            "middle",
            "contrast",
            "pivot",
            "curve",
            "saturation",
            "levels",
        ),
        "Key": ("width", "shadow_reach", "highlight_reach", "key_falloff", "working_size", "model"),
        "Faces": (*(slot[word] for slot in _FACES for word in (PRESENCE, *LANDMARKS)), "joined"),
        "Matte": ("specks", "pinholes", "edge", "edge_follow", "softness"),
        "Skin": ("angle", "skin_saturation", "skin_temperature", "skin_tint", "amount"),
    }
)


# --- what it can be asked to do on a frame ------------------------------------------------------------------

Asked = Mapping[str, Any]

_SKIN = tuple(f"skin_{i}" for i in range(1, 5))
_KEEP_OUT = tuple(f"keep_out_{i}" for i in range(1, 5))
_LANDINGS = {
    "centre": "the middle of the energy rests on the target",
    "redder": "its yellower edge rests there, so the energy lies on the redder side",
    "yellower": "its redder edge rests there, so the energy lies on the yellower side",
}


def _asks() -> dict[str, Param | Place]:
    skin: dict[str, Param | Place] = {
        name: Place(f"Skin {i}", "A spot on lit, unpainted skin.", "point", (0.3 + 0.1 * i, 0.4), used=i == 1)
        for i, name in enumerate(_SKIN, 1)
    }
    skin["skin_area"] = Place("Skin area", "A box that holds skin alone.", "box", (0.4, 0.3, 0.6, 0.5))
    keep_out = {
        name: Place(f"Keep out {i}", "A spot on what looks like skin and is none.", "point", (0.3 + 0.1 * i, 0.7))
        for i, name in enumerate(_KEEP_OUT, 1)
    }
    neutral = Place("Neutral", "A spot on something grey or white.", "point", (0.5, 0.85))
    return {
        **skin,
        **keep_out,
        "neutral": neutral,
        MARKS: Param("text", "", "Samples made on the picture, each with its frame."),
        "target_angle": Param(
            "angle", SKIN_LINE, "Where the skin should rest; 123° is the skin line.", 0, 360, (90, 160), "°"
        ),
        "target_bias": Param(
            "angle", 0.0, "Added to the target: above 0 yellower, below 0 redder.", -90, 90, (-15, 15), "°"
        ),
        "target_ratio": Param(
            "number", 0.0, "Chroma/luma to reach, as an approved shot reads; 0 keeps the saturation.", 0, 2, (0, 0.6)
        ),
        "landing": Param(
            "choice", "centre", "What of the skin rests on the target.", options=MappingProxyType(_LANDINGS)
        ),
    }


_ASKS: Mapping[str, Param | Place] = MappingProxyType(_asks())


LIVE, FREEZE = "live_reading", "freeze_key"
_BLACK = Place("Deep black", "A spot on something black, or in deep shadow.", "point", (0.2, 0.85))
_ASKS_2: Mapping[str, Param | Place] = MappingProxyType(
    {
        **{name: ask for name, ask in _ASKS.items() if isinstance(ask, Place)},
        "deep_black": _BLACK,
        **{name: ask for name, ask in _ASKS.items() if not isinstance(ask, Place)},
        LIVE: Param("toggle", True, "Read the skin again after every change, once a key is learned."),
        FREEZE: Param("toggle", False, "Keep key and solve as they are when light, levels or saturation change."),
    }
)


_WITHOUT_A_READING = frozenset(("view", "split_at", FREEZE))
"""What no reading depends on."""
_AIM = frozenset((LIVE, *(name for name, ask in _ASKS.items() if isinstance(ask, Param) and name != MARKS)))
"""What a reading depends on beside the parameters."""


def _given(asked: Asked, names: tuple[str, ...]) -> list[Sample]:
    return [asked[name] for name in names if asked.get(name) is not None]


def _samples(
    asked: Asked, image: Picture
) -> tuple[list[Sample], list[Sample], list[tuple[Picture, list[Sample], list[Sample]]]]:
    """Return the samples of this frame, on skin and to be kept out, and those of other frames with their pictures."""
    add, subtract = _given(asked, (*_SKIN, "skin_area")), _given(asked, _KEEP_OUT)
    frames: dict[int, tuple[Picture, list[Sample], list[Sample]]] = {id(image): (image, add, subtract)}
    for mark in asked.get(MARKS) or ():
        picture = mark.inputs["image"]
        _, skin, out = frames.setdefault(id(picture), (picture, [], []))
        (out if mark.role == "keep_out" else skin).append(mark.sample)
    return add, subtract, [frame for key, frame in frames.items() if key != id(image)]


def _person_in(
    asked: Asked,
    picture: Picture,
    faces: Sequence[FaceMatte],
    add: Sequence[Sample] = (),
    subtract: Sequence[Sample] = (),
    bare: bool = True,
) -> People | None:
    """Return what is seen of people in a picture; None where nobody looks."""
    look = asked.get(PERSONS)
    found: People | None = None if look is None else look(picture, faces, add, subtract, bare)
    return found


def _whole(node: CorrectSkin1, asked: Asked) -> CorrectSkin1:
    """Return the node as it works on pictures: what is set by hand on top of what is solved."""
    return node.with_hand(asked.get(HAND) or {})


def _learn(node: CorrectSkin1, asked: Asked, image: Picture, limit: Matte | None = None) -> tuple[CorrectSkin1, str]:
    whole = _whole(node, asked)
    balanced = whole.balanced(image)
    add, subtract, more = _samples(asked, image)
    known = whole._faces() if isinstance(whole, CorrectSkin) else ()
    faces = known if any(face.presence for face in known) else ()
    persons = [_person_in(asked, image, faces, add, subtract)]
    persons += [_person_in(asked, picture, (), skin, out) for picture, skin, out in more]
    further = [(whole.balanced(picture), skin, out) for picture, skin, out in more]
    seek = isinstance(whole, CorrectSkin)  # what keeps that it was sought
    learned = study_skin(balanced, add, subtract, further, faces=faces, persons=persons, seek=seek)
    found: dict[str, Any] = {"model": learned.key.model}
    if isinstance(whole, CorrectSkin):
        found["joined"] = _told_of(learned, ())
    matte = dataclasses.replace(whole, **found).matte(balanced, limit)
    marked = [(image, add, faces), *((picture, skin, ()) for picture, skin, _ in more)]
    unmarked = ((skin, _person_in(asked, picture, known)) for picture, skin, known in marked if skin)
    strange = (each for seen in unmarked for each in strange_marks(*seen))
    warnings = (*learned.warnings(matte, balanced, limited=limit is not None), *(not_skin(*each) for each in strange))
    if isinstance(whole, CorrectSkin):  # what the samples say is doubted as long as the key is that of these samples
        found["joined"] = _told_of(learned, [w for w in warnings if w.sign in LEARNED_SIGNS])
    taught = dataclasses.replace(node, **found)
    said = " ".join(warned.message for warned in warnings)
    return taught, f"The key finds {matte.mean():.1%} of the frame. {said}".strip()


def _solve(node: CorrectSkin1, asked: Asked, image: Picture, limit: Matte | None = None) -> tuple[CorrectSkin1, str]:
    whole = _whole(node, asked)
    balanced = whole.balanced(image)
    steer = solve_steer(balanced, whole.matte(balanced, limit), _target(asked))
    solved = dataclasses.replace(node, angle=steer.angle, skin_saturation=steer.saturation)
    if isinstance(solved, CorrectSkin):
        solved = dataclasses.replace(solved, skin_temperature=0.0, skin_tint=0.0)
    if not node.parts():  # what is by hand is not kept apart, so nothing of it may stay
        solved = dataclasses.replace(solved, amount=1.0)
    return _read(solved, asked, image, limit)


def _solve_light(
    node: CorrectSkin, asked: Asked, image: Picture, limit: Matte | None = None
) -> tuple[CorrectSkin1, str]:
    """Rest the skin on its target by its temperature and tint alone."""
    whole = _whole(node, asked)
    balanced = whole.balanced(image)
    steer = solve_steer(balanced, whole.matte(balanced, limit), _target(asked), BY_LIGHT)
    moved = {"angle": 0.0, "skin_saturation": 1.0, "skin_temperature": steer.temperature, "skin_tint": steer.tint}
    return _read(dataclasses.replace(node, **moved), asked, image, limit)  # type: ignore[arg-type]


def _target(asked: Asked) -> SkinTarget:
    return SkinTarget(
        angle=asked["target_angle"],
        bias=asked["target_bias"],
        ratio=asked["target_ratio"] or None,
        landing=asked["landing"],
    )


def _suggest_balance(
    node: CorrectSkin1, asked: Asked, image: Picture, limit: Matte | None = None
) -> tuple[CorrectSkin1, str]:
    neutral: Sample | None = asked["neutral"]
    balance = solve_balance(image, neutral, node.transfer)
    origin = "edges of the picture: a suggestion" if neutral is None else "neutral sample"
    tint = f"tint {balance.tint:+.4f} Duv ({1000 * balance.tint:+.1f} thousandths)"
    words = f"Temperature {balance.temperature:+.1f} mired ({balance.kelvin():.0f} K), {tint}, from the {origin}."
    balanced = dataclasses.replace(node, temperature=balance.temperature, tint=balance.tint)
    done, more = _followed(balanced, asked, image, limit)
    return done, " ".join((words, *more))


def _take_black(
    node: CorrectSkin, asked: Asked, image: Picture, limit: Matte | None = None
) -> tuple[CorrectSkin1, str]:
    """Take the colour out of the blacks by a sample of something black, behind the light and before the levels."""
    black: Sample | None = asked["deep_black"]
    if black is None:
        raise SampleError(
            "Mark something black first: Deep black point under Add on the picture, or Use deep black under Samples by "
            "number."
        )
    balanced: Balance = _whole(node, asked)._node("balance")
    found = solve_neutral_black(balanced.process(image), black)
    done, more = _followed(dataclasses.replace(node, neutral_black=found), asked, image, limit)
    levels = ", ".join(f"{name} {level:.1%}" for name, level in zip(("red", "green", "blue"), found, strict=True))
    return done, " ".join((f"Taken out of the blacks: {levels}.", *more))


def _followed(node: CorrectSkin1, asked: Asked, image: Picture, limit: Matte | None) -> tuple[CorrectSkin1, list[str]]:
    """Learn and solve anew what was learned and solved in another light: the key reads the balanced picture."""
    said = []
    try:
        if node.model:
            node, _ = _learn(node, asked, image, limit)
            said.append("The key is learned anew in this light.")
        lit = isinstance(node, CorrectSkin) and (node.skin_temperature, node.skin_tint) != (0.0, 0.0)
        if lit or node.angle != 0 or node.skin_saturation != 1:
            solve: Any = _solve_light if lit else _solve
            node, words = solve(node, asked, image, limit)
            said.append(f"The skin is solved anew. {words}")
    except InkarnatError as error:
        said.append(f"Learn and solve again in this light: {error}")
    return node, said


def _follow(node: CorrectSkin1, asked: Asked, image: Picture, limit: Matte | None = None) -> tuple[CorrectSkin1, str]:
    followed, said = _followed(node, asked, image, limit)
    if followed._node("steer") == node._node("steer"):
        _, words = _read(followed, asked, image, limit)  # nothing was solved: then nothing has read the skin yet
        said.append(words)
    return followed, " ".join(said)


def _forget(node: CorrectSkin1, asked: Asked, image: Picture, limit: Matte | None = None) -> tuple[CorrectSkin1, str]:
    rest = type(node)()
    forgotten = dataclasses.replace(node, model=rest.model, angle=rest.angle, skin_saturation=rest.skin_saturation)
    if isinstance(forgotten, CorrectSkin):
        forgotten = dataclasses.replace(forgotten, skin_temperature=0.0, skin_tint=0.0, joined="")
    stays = (
        "Samples, light, levels and what is set by hand stay." if node.parts() else "Samples, light and levels stay."
    )
    return forgotten, f"Forgotten: the learned key and the solved turn and saturation. {stays}"


def _read(node: CorrectSkin1, asked: Asked, image: Picture, limit: Matte | None = None) -> tuple[CorrectSkin1, str]:
    """Judge the skin of this frame: status, sentence and fix, then the readings as shot, light only and final."""
    whole = _whole(node, asked)
    balanced = whole.balanced(image)
    matte = whole.matte(balanced, limit)
    unsteered = dataclasses.replace(whole, view="result", amount=0.0)
    pictures = {
        "as shot": as_picture(image),
        "light only": unsteered.process(image, limit),
        "final": dataclasses.replace(whole, view="result").process(image, limit),
    }
    readings = {name: measure_skin(picture, matte) for name, picture in pictures.items()}
    by = CARD if asked["neutral"] is not None else ""
    add, subtract, _ = _samples(asked, image)
    shown = [sample for sample in add if sample.kind == "face"]
    known = whole._faces() if isinstance(whole, CorrectSkin) else ()
    aspect = image.shape[1] / image.shape[0]
    shown += [face.sample(aspect) for face in known if face.presence > 0.5 and face.keyed > 0.5]
    faces = [left_behind(pictures["light only"], pictures["final"], matte, sample) for sample in shown]
    there = tuple(face for face in known if face.presence > 0.5)
    learned, close_up = _doubts_of(whole.joined) if isinstance(whole, CorrectSkin) else ((), False)
    apart = hues_of_faces(pictures["final"], matte, there)

    def look(bare: bool) -> People | None:
        return _person_in(asked, balanced, there, add, subtract, bare)

    evidence = Evidence(
        readings["light only"],
        readings["final"],
        balance=(whole.temperature, whole.tint),
        light_by=by,
        sampled=bool(whole.model),
        face=worst_left_behind(faces),
        doubts=(*judge_seen(matte, balanced, there, look, close_up=close_up), *learned),
        accepted=bool(asked.get(ACCEPTED)),
        burnt=burnt_out(pictures["final"], matte, pictures["as shot"]),
        faces=apart,
        card=0.0 if asked["neutral"] is None else asked["neutral"].keyed(matte),
    )
    verdict = judge(evidence, Aim(_target(asked)))
    noted = [each.message for each in faces_apart(apart, CONTROL)]
    figures = "; ".join(f"{name} {reading.angle:.1f}°, ratio {reading.ratio:.3f}" for name, reading in readings.items())
    noted.append(_ONE_FRAME)
    return node, f"{' '.join((*verdict.lines(CONTROL), *noted))} ({figures})"


_ONE_FRAME = "This frame alone was read, and nothing here follows light that drifts: read other frames too."


_ACTIONS: Mapping[str, Action] = MappingProxyType(
    {
        "learn": Action("Learn from samples", "Learn the skin key from the samples on this frame.", _learn),
        "solve": Action("Solve to the skin line", "Steer the keyed skin of this frame onto the target.", _solve),
        "suggest_balance": Action(
            "Suggest balance", "Balance by the neutral sample, or by the edges of the picture.", _suggest_balance
        ),
        "read": Action(
            "Read the skin", "Measure the keyed skin of this frame before and after.", _read, only_reads=True
        ),
        "forget": Action("Forget key and solve", "Forget the learned key and the solved turn and saturation.", _forget),
    }
)
_FOLLOW = Action("Learn and solve in this light", "What was solved follows the light, levels and saturation.", _follow)

_ACTIONS_2: Mapping[str, Action] = MappingProxyType(
    {
        "learn": _ACTIONS["learn"],
        "solve": _ACTIONS["solve"],
        "solve_light": Action(
            "Solve by temperature and tint",
            "Move the keyed skin of this frame onto the target like a light, by its temperature and tint alone.",
            _solve_light,
        ),
        "suggest_balance": _ACTIONS["suggest_balance"],
        "take_black": Action(
            "Neutral black", "Take the colour out of the blacks by the deep black sample of this frame.", _take_black
        ),
        **{name: _ACTIONS[name] for name in ("read", "forget")},
    }
)
