"""Correct skin: the whole job in one effect, for hosts that have no node graph."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .balance import TRANSFERS, Balance
from .declare import Matte, Node, Picture, choice, degrees, number, text
from .key import SkinKey
from .matte import SoftenMatte
from .steer import SteerSkin
from .tone import Cdl, ToneCurve
from .view import VIEWS, ShowMatte


@dataclass(frozen=True)
class CorrectSkin(Node):
    """Balance the picture, key the skin, soften the matte, steer the skin, then set exposure and saturation.

    The same steps, in the same order, as the nodes ``balance``, ``skin_key``, ``soften_matte``, ``steer_skin``,
    ``tone_curve`` and ``cdl`` one after the other. A second matte, where given, limits the key.
    """

    name = "correct_skin"
    label = "Correct skin"
    group = "steer"

    view: str = choice("result", {"result": "the corrected picture", **VIEWS}, "What the effect shows.")
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
    softness: float = number(1.0, 0, 20, "Softness of the matte's edge, in thousandths of the frame height.")
    angle: float = degrees(0.0, -180, 180, "Turn of the skin's hue; above 0 goes toward yellow.", shown=(-45, 45))
    skin_saturation: float = number(1.0, 0, 4, "Factor on the skin's saturation.", shown=(0, 2))
    amount: float = number(1.0, 0, 1, "How much of the steering is applied.")
    black: float = number(0.0, -1, 1, "Level of the picture that becomes black.", shown=(-0.1, 0.3))
    white: float = number(1.0, 0, 4, "Level of the picture that becomes white.", shown=(0.6, 1.2))
    saturation: float = number(1.0, 0, 10, "Factor on the saturation of the whole picture.", shown=(0, 2))

    def __post_init__(self) -> None:
        super().__post_init__()
        self._tone()
        self._key()

    def _key(self) -> SkinKey:
        return SkinKey(
            model=self.model,
            width=self.width,
            shadow_reach=self.shadow_reach,
            highlight_reach=self.highlight_reach,
        )

    def _tone(self) -> ToneCurve:
        return ToneCurve(black=self.black, white=self.white)

    def process(self, image: Picture, limit: Matte | None = None) -> Picture:
        """Return the corrected picture or the chosen view."""
        balanced = Balance(temperature=self.temperature, tint=self.tint, transfer=self.transfer).process(image)
        matte = SoftenMatte(softness=self.softness).process(self._key().process(balanced), balanced)
        if limit is not None:
            matte = matte * np.clip(limit, 0, 1)
        if self.view not in ("result", "luma"):
            return ShowMatte(view=self.view).process(balanced, matte)
        steer = SteerSkin(angle=self.angle, saturation=self.skin_saturation, amount=self.amount)
        steered = steer.process(balanced, matte)
        graded = Cdl(saturation=self.saturation, clamp=False).process(self._tone().process(steered))
        return ShowMatte(view="luma").process(graded, matte) if self.view == "luma" else graded
