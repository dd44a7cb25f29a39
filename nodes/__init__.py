"""Nodes: frozen values with declared parameters and one kernel call each. This module is the public API.

``NODES`` is the one table of all nodes; graphs, commands, host effects and the documentation derive from it.
"""

import warnings

from .apart import faces_apart, hues_of_faces
from .balance import Balance, BalanceError, mired, solve_balance
from .chain import LEVELS_FIRST, LEVELS_LAST, REST, Chain, Link, Order, Part, standard_chain
from .compare import Compare
from .convert import ConvertColour, ReturnColour, Space, enter_space, leave_space, return_to_space
from .correct import CorrectSkin, CorrectSkin1
from .declare import Node, ParamError
from .doubt import (
    LEARNED_SIGNS,
    MATTE_SIGNS,
    burnt_out,
    judge_matte,
    judge_seen,
    left_behind,
    not_skin,
    sought,
    strange_marks,
    worst_left_behind,
)
from .face import FaceMatte, FaceMatte1, JoinFaces
from .key import RangeKey, SkinKey, SkinKey1
from .learning import LearnedKey, SoughtError, learn_skin_key, study_skin, with_faces
from .likeness import Distance, Skin, distance, stops
from .limits import CHECK, HOLDS, LIMITS, NOT_JUDGED, OFF, STATUSES, UNJUDGED, Limit, beyond
from .look import BakedLook, Cube, CubeError, ProtectMatte, read_cube
from .matte import CombineMattes, Region, SoftenMatte
from .people import People, bare_skin_of, persons_of, sure_pieces, sure_skin
from .sample import Sample, SampleError
from .scopes import I_AXIS, Vectorscope, Waveform
from .sheets import TILE, SheetRow, clipped, contact_sheet
from .solve import (
    BY_LIGHT,
    SKIN_LINE,
    ReadingError,
    SkinReading,
    SkinTarget,
    Warned,
    hue_of_all,
    measure_skin,
    solve_steer,
)
from .standard import (
    Corrected,
    Correction,
    CorrectionOptions,
    MarkedFrame,
    Subject,
    SubjectError,
    solve_correction,
    solve_subjects,
)
from .steady import SteadyMatte
from .steer import Blend, KeepSkin, SteerSkin
from .surroundings import ANOTHER_CLIP, Scene, SeenMatte, Surroundings
from .tags import curve_of_profile, named_primaries, primaries_of_profile, space_tags, tag_in_words, tagged_space
from .tone import Cdl, SuggestionError, ToneCurve, ToneSuggestion, solve_neutral_black, suggest_tone
from .verdict import (
    AS_SHOT,
    BY_HAND,
    CARD,
    COMMAND,
    CONTROL,
    COPY,
    EDGES,
    UNREAD,
    Aim,
    Evidence,
    Finding,
    LeftBehind,
    Verdict,
    judge,
    missed,
    side_note,
    together,
    worst_first,
)
from .view import ShowMatte

NODES: dict[str, type[Node]] = {
    "tone_curve": ToneCurve,
    "cdl": Cdl,
    "balance": Balance,
    "convert_colour": ConvertColour,
    "return_colour": ReturnColour,
    "skin_key": SkinKey,
    "range_key": RangeKey,
    "region": Region,
    "combine_mattes": CombineMattes,
    "soften_matte": SoftenMatte,
    "steady_matte": SteadyMatte,
    "face_matte": FaceMatte,
    "join_faces": JoinFaces,
    "protect_matte": ProtectMatte,
    "steer_skin": SteerSkin,
    "baked_look": BakedLook,
    "keep_skin": KeepSkin,
    "blend": Blend,
    "show_matte": ShowMatte,
    "compare": Compare,
    "vectorscope": Vectorscope,
    "waveform": Waveform,
    "correct_skin": CorrectSkin,
}
"""Every node by its fixed id."""

EARLIER: tuple[type[Node], ...] = (SkinKey1, FaceMatte1, CorrectSkin1)
"""Major versions that hosts go on offering beside those of today, for the projects that were saved with them."""

__all__ = [
    "ANOTHER_CLIP",
    "AS_SHOT",
    "BY_HAND",
    "BY_LIGHT",
    "CARD",
    "CHECK",
    "COMMAND",
    "CONTROL",
    "COPY",
    "EARLIER",
    "EDGES",
    "HOLDS",
    "I_AXIS",
    "LEARNED_SIGNS",
    "LEVELS_FIRST",
    "LEVELS_LAST",
    "LIMITS",
    "MATTE_SIGNS",
    "NODES",
    "NOT_JUDGED",
    "OFF",
    "REST",
    "SKIN_LINE",
    "STATUSES",
    "TILE",
    "UNJUDGED",
    "UNREAD",
    "Aim",
    "BakedLook",
    "Balance",
    "BalanceError",
    "Blend",
    "Cdl",
    "Chain",
    "CombineMattes",
    "Compare",
    "ConvertColour",
    "CorrectSkin",
    "CorrectSkin1",
    "Corrected",
    "Correction",
    "CorrectionOptions",
    "Cube",
    "CubeError",
    "Distance",
    "Evidence",
    "FaceMatte",
    "FaceMatte1",
    "Finding",
    "JoinFaces",
    "KeepSkin",
    "LearnedKey",
    "LeftBehind",
    "Limit",
    "Link",
    "MarkedFrame",
    "Node",
    "Order",
    "ParamError",
    "Part",
    "People",
    "ProtectMatte",
    "RangeKey",
    "ReadingError",
    "Region",
    "ReturnColour",
    "Sample",
    "SampleError",
    "Scene",
    "SeenMatte",
    "SheetRow",
    "ShowMatte",
    "Skin",
    "SkinKey",
    "SkinKey1",
    "SkinReading",
    "SkinTarget",
    "SoftenMatte",
    "SoughtError",
    "Space",
    "SteadyMatte",
    "SteerSkin",
    "Subject",
    "SubjectError",
    "SuggestionError",
    "Surroundings",
    "ToneCurve",
    "ToneSuggestion",
    "Vectorscope",
    "Verdict",
    "Warned",
    "Waveform",
    "bare_skin_of",
    "beyond",
    "burnt_out",
    "clipped",
    "contact_sheet",
    "curve_of_profile",
    "distance",
    "enter_space",
    "faces_apart",
    "hue_of_all",
    "hues_of_faces",
    "judge",
    "judge_matte",
    "judge_seen",
    "learn_skin_key",
    "leave_space",
    "left_behind",
    "measure_skin",
    "mired",
    "missed",
    "named_primaries",
    "not_skin",
    "persons_of",
    "primaries_of_profile",
    "read_cube",
    "return_to_space",
    "side_note",
    "solve_balance",
    "solve_correction",
    "solve_neutral_black",
    "solve_steer",
    "solve_subjects",
    "sought",
    "space_tags",
    "standard_chain",
    "stops",
    "strange_marks",
    "study_skin",
    "suggest_tone",
    "sure_pieces",
    "sure_skin",
    "tag_in_words",
    "tagged_space",
    "together",
    "with_faces",
    "worst_first",
    "worst_left_behind",
]

_RENAMED = {"Lesson": "LearnedKey", "Wishes": "CorrectionOptions"}
"""Names of version 0.1, which go with the next one, and what they are called now."""


def __getattr__(name: str) -> type:
    """Return what an old name stands for, with a DeprecationWarning."""
    if name not in _RENAMED:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    now = _RENAMED[name]
    warnings.warn(f"inkarnat.nodes.{name} is now called {now}.", DeprecationWarning, stacklevel=2)
    found: type = globals()[now]
    return found
