"""What the standard says of names, properties and suites, read from standard.json.

Source: the headers of OpenFX, by way of ``store_standard.py``. What the headers do not say in a form that can be read
stands below with its place. Dimension 0 is "any".
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

STRING, INT, DOUBLE, POINTER = "string", "int", "double", "pointer"
Rule = tuple[str, int]

STANDARD: dict[str, Any] = json.loads(Path(__file__).with_name("standard.json").read_text(encoding="utf-8"))
PER_CLIP: list[str] = STANDARD["per clip"]
PROPERTIES: dict[str, dict[str, Any]] = STANDARD["properties"]
VALUES = {entry["value"] for entry in STANDARD["names"].values()} | set(PROPERTIES) | set(PER_CLIP)
"""Every text that the standard gives a meaning to."""
SPACES: dict[str, dict[str, Any]] = STANDARD["colour spaces"]


def name(constant: str) -> str:
    """Return the text behind a constant of the headers."""
    text: str = STANDARD["names"][constant]["value"]
    return text


_TYPES = {"bool": INT, "int": INT, "double": DOUBLE, "enum": STRING, "string": STRING, "pointer": POINTER}
_SAID_IN_WORDS: dict[str, Rule] = {
    # ofxParam.h describes "the set of enumeration strings", beside a definition that was copied from a flag.
    "OfxParamPropChoiceEnum": (STRING, 0),
    # ofxCore.h: "the first dimension an SVG file, the second a PNG file".
    "OfxPropIcon": (STRING, 2),
}


def rule_of(property_: str) -> Rule:
    """Return type and dimension of a property."""
    if property_ in _SAID_IN_WORDS:
        return _SAID_IN_WORDS[property_]
    told = PROPERTIES[property_]
    return _TYPES[told["type"]], told["dimension"]


def _written_by_plugins(*sets: str) -> dict[str, Rule]:
    names = [p for s in sets for p, by in STANDARD["sets"][s].items() if by == "plugin"]
    return {p: rule_of(p) for p in names if p not in _BY_TYPE}


_BY_TYPE = ("Default", "Min", "Max", "DisplayMin", "DisplayMax", "DimensionLabel")
_BY_TYPE = tuple(f"OfxParamProp{word}" for word in _BY_TYPE)
"""Properties whose type and dimension are those of the parameter."""

EFFECT_DESCRIPTOR = _written_by_plugins("EffectDescriptor")
CLIP_DESCRIPTOR = _written_by_plugins("ClipDescriptor")
READ_ONLY = ("OfxPropType", "OfxPropName", "OfxParamPropType")
for _name in READ_ONLY:  # set by the host when it makes the thing
    for _set in (EFFECT_DESCRIPTOR, CLIP_DESCRIPTOR):
        _set.pop(_name, None)


def _parameter(value: str, size: int, *sets: str, numeric: bool = True) -> dict[str, Rule]:
    rules = _written_by_plugins(*sets)
    for word in READ_ONLY:
        rules.pop(word, None)
    if value:
        rules["OfxParamPropDefault"] = (value, size)
    if value and numeric:
        rules |= {f"OfxParamProp{word}": (value, size) for word in ("Min", "Max", "DisplayMin", "DisplayMax")}
    if size > 1:
        rules["OfxParamPropDimensionLabel"] = (STRING, size)
    return rules


def _without_value(rules: dict[str, Rule]) -> dict[str, Rule]:
    """A push button has what all but groups and pages have, and no value."""
    values = ("Animates", "Persistant", "EvaluateOnChange", "PluginMayWrite", "CacheInvalidation", "CanUndo")
    return {key: rule for key, rule in rules.items() if key not in {f"OfxParamProp{word}" for word in values}}


_SPATIAL = ("ParamsDouble2D3D", "ParamsNormalizedSpatial")
PARAM_BY_TYPE: dict[str, dict[str, Rule]] = {
    name("kOfxParamTypeDouble"): _parameter(DOUBLE, 1, "ParamDouble1D", "ParamsNormalizedSpatial"),
    name("kOfxParamTypeDouble2D"): _parameter(DOUBLE, 2, *_SPATIAL),
    name("kOfxParamTypeDouble3D"): _parameter(DOUBLE, 3, *_SPATIAL),
    name("kOfxParamTypeRGB"): _parameter(DOUBLE, 3, "ParamsDouble2D3D"),
    name("kOfxParamTypeInteger"): _parameter(INT, 1, "ParamsInt2D3D"),
    name("kOfxParamTypeBoolean"): _parameter(INT, 1, "ParamsByte", numeric=False),
    name("kOfxParamTypeChoice"): _parameter(INT, 1, "ParamsChoice", numeric=False),
    name("kOfxParamTypeStrChoice"): _parameter(STRING, 1, "ParamsStrChoice", numeric=False),
    name("kOfxParamTypeString"): _parameter(STRING, 1, "ParamsString", numeric=False),
    name("kOfxParamTypePushButton"): _without_value(_parameter("", 0, "ParamsByte", numeric=False)),
    name("kOfxParamTypeGroup"): _parameter("", 0, "ParamsGroup"),
    name("kOfxParamTypePage"): _parameter("", 0, "ParamsPage"),
    name("kOfxParamTypeParametric"): _parameter("", 0, "ParamsParametric"),
}
WITHOUT_VALUE = tuple(name(f"kOfxParamType{word}") for word in ("Group", "Page", "PushButton"))
INSTANCE_PARAM = {
    key: rule_of(key)
    for key in (
        "OfxParamPropEnabled",
        "OfxParamPropSecret",
        "OfxParamPropHint",
        "OfxPropLabel",
        "OfxPropShortLabel",
        "OfxPropLongLabel",
        "OfxParamPropGroupOpen",
    )
}
"""What a plug-in may still change in an instance (ofxParam.h, "instance (read/write)")."""


_CLIP_ANSWERS: dict[str, Rule] = {
    # The actions' descriptions in ofxImageEffect.h and ofxColour.h; one property for each clip.
    "OfxImageClipPropRoI_*": (DOUBLE, 4),
    "OfxImageClipPropFrameRange_*": (DOUBLE, 0),
    "OfxImageClipPropComponents_*": (STRING, 1),
    "OfxImageClipPropDepth_*": (STRING, 1),
    "OfxImageClipPropPAR_*": (DOUBLE, 1),
    "OfxImageClipPropPreferredColourspaces_*": (STRING, 0),
}
assert {key.removesuffix("*") for key in _CLIP_ANSWERS} == set(PER_CLIP)

_MORE_ANSWERS: dict[str, dict[str, Rule]] = {
    name("kOfxImageEffectActionIsIdentity"): {
        name("kOfxPropName"): rule_of("OfxPropName"),
        name("kOfxPropTime"): rule_of("OfxPropTime"),
    },
    name("kOfxImageEffectActionGetRegionsOfInterest"): {"OfxImageClipPropRoI_*": (DOUBLE, 4)},
    name("kOfxImageEffectActionGetFramesNeeded"): {"OfxImageClipPropFrameRange_*": (DOUBLE, 0)},
    name("kOfxImageEffectActionGetClipPreferences"): {
        key: rule for key, rule in _CLIP_ANSWERS.items() if "RoI" not in key and "FrameRange" not in key
    },
}
OUT_ARGUMENTS: dict[str, dict[str, Rule]] = {
    action: {p: rule_of(p) for p in told["out"]} | _MORE_ANSWERS.get(action, {})
    for action, told in STANDARD["actions"].items()
}

STRING_VALUES: dict[str, set[str]] = {
    key: set(told["values"]) for key, told in PROPERTIES.items() if told["type"] == "enum" and told.get("values")
} | {
    "OfxImageClipPropComponents_*": set(PROPERTIES["OfxImageEffectPropSupportedComponents"]["values"]),
    "OfxImageEffectPropColourManagementAvailableConfigs": {name("kOfxConfigIdentifier")},
    "OfxImageClipPropPreferredColourspaces_*": {
        word for space, told in SPACES.items() for word in (space, *told["aliases"])
    },
}
"""The words that a property may hold, where the standard lists them."""

BOOLEANS = {key for key, told in PROPERTIES.items() if told["type"] == "bool" and key not in _SAID_IN_WORDS}

EXTRA_VALUES = {
    # ofxParam.h lists these in words: positions in canonical coordinates.
    "OfxParamPropDoubleType": {
        entry["value"] for key, entry in STANDARD["names"].items() if key.startswith("kOfxParamDoubleType")
    },
}
for _key, _more in EXTRA_VALUES.items():
    STRING_VALUES[_key] = STRING_VALUES.get(_key, set()) | _more


def general(property_: str) -> str:
    """Return the name of a property, without the clip's where it ends with one."""
    start = property_.partition("_")[0] + "_"
    return start if start in PER_CLIP else property_


def rule(rules: dict[str, Rule], property_: str) -> tuple[str, Rule | None]:
    """Return the name under which the rules know a property (with * for a clip's name), and its type and size."""
    if property_ in rules:
        return property_, rules[property_]
    general = property_.partition("_")[0] + "_*"
    return general, rules.get(general)
