"""Nodes: frozen values with declared parameters and one kernel call each. This module is the public API.

``NODES`` is the one table of all nodes; graphs, commands, host effects and the documentation derive from it.
"""

from .balance import Balance, BalanceError, solve_balance
from .compare import Compare
from .convert import ConvertColour, ReturnColour, Space, enter_space, leave_space, return_to_space
from .correct import CorrectSkin
from .declare import Node, ParamError
from .key import RangeKey, SkinKey
from .likeness import Distance, Skin, distance
from .limits import CHECK, HOLDS, LIMITS, NOT_JUDGED, OFF, STATUSES, Limit, beyond
from .matte import CombineMattes, Region, SoftenMatte
from .sample import Sample, SampleError
from .scopes import Vectorscope, Waveform
from .solve import (
    SKIN_LINE,
    Lesson,
    ReadingError,
    SkinReading,
    SkinTarget,
    Warned,
    judge_matte,
    learn_skin_key,
    measure_skin,
    solve_steer,
    study_skin,
)
from .standard import (
    Corrected,
    Correction,
    Link,
    MarkedFrame,
    Subject,
    SubjectError,
    Wishes,
    solve_correction,
    solve_subjects,
)
from .steady import SteadyMatte
from .steer import Blend, KeepSkin, SteerSkin
from .tags import space_tags, tagged_space
from .tone import Cdl, ToneCurve, ToneSuggestion, suggest_tone
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
    "steer_skin": SteerSkin,
    "keep_skin": KeepSkin,
    "blend": Blend,
    "show_matte": ShowMatte,
    "compare": Compare,
    "vectorscope": Vectorscope,
    "waveform": Waveform,
    "correct_skin": CorrectSkin,
}
"""Every node by its fixed id."""

__all__ = [
    "AS_SHOT",
    "BY_HAND",
    "CARD",
    "CHECK",
    "COMMAND",
    "CONTROL",
    "COPY",
    "EDGES",
    "HOLDS",
    "LIMITS",
    "NODES",
    "NOT_JUDGED",
    "OFF",
    "SKIN_LINE",
    "STATUSES",
    "UNREAD",
    "Aim",
    "Balance",
    "BalanceError",
    "Blend",
    "Cdl",
    "CombineMattes",
    "Compare",
    "ConvertColour",
    "CorrectSkin",
    "Corrected",
    "Correction",
    "Distance",
    "Evidence",
    "Finding",
    "KeepSkin",
    "LeftBehind",
    "Lesson",
    "Limit",
    "Link",
    "MarkedFrame",
    "Node",
    "ParamError",
    "RangeKey",
    "ReadingError",
    "Region",
    "ReturnColour",
    "Sample",
    "SampleError",
    "ShowMatte",
    "Skin",
    "SkinKey",
    "SkinReading",
    "SkinTarget",
    "SoftenMatte",
    "Space",
    "SteadyMatte",
    "SteerSkin",
    "Subject",
    "SubjectError",
    "ToneCurve",
    "ToneSuggestion",
    "Vectorscope",
    "Verdict",
    "Warned",
    "Waveform",
    "Wishes",
    "beyond",
    "distance",
    "enter_space",
    "judge",
    "judge_matte",
    "learn_skin_key",
    "leave_space",
    "measure_skin",
    "missed",
    "return_to_space",
    "side_note",
    "solve_balance",
    "solve_correction",
    "solve_steer",
    "solve_subjects",
    "space_tags",
    "study_skin",
    "suggest_tone",
    "tagged_space",
    "worst_first",
]
