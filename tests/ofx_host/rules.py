"""What the standard says of properties: type, dimension, and which set of properties a plug-in may write them in.

Source: OpenFX 1.5, ofx-props.yml and the headers it is generated beside. Dimension 0 is "any".
"""

from __future__ import annotations

STRING, INT, DOUBLE, POINTER = "string", "int", "double", "pointer"

_COMMON_LABELS = {"OfxPropLabel": (STRING, 1), "OfxPropShortLabel": (STRING, 1), "OfxPropLongLabel": (STRING, 1)}

EFFECT_DESCRIPTOR = {
    **_COMMON_LABELS,
    "OfxPropVersion": (INT, 0),
    "OfxPropVersionLabel": (STRING, 1),
    "OfxPropPluginDescription": (STRING, 1),
    "OfxImageEffectPropSupportedContexts": (STRING, 0),
    "OfxImageEffectPluginPropGrouping": (STRING, 1),
    "OfxImageEffectPluginPropSingleInstance": (INT, 1),
    "OfxImageEffectPluginRenderThreadSafety": (STRING, 1),
    "OfxImageEffectPluginPropHostFrameThreading": (INT, 1),
    "OfxImageEffectPropSupportsMultiResolution": (INT, 1),
    "OfxImageEffectPropSupportsTiles": (INT, 1),
    "OfxImageEffectPropTemporalClipAccess": (INT, 1),
    "OfxImageEffectPropSupportedPixelDepths": (STRING, 0),
    "OfxImageEffectPluginPropFieldRenderTwiceAlways": (INT, 1),
    "OfxImageEffectPropMultipleClipDepths": (INT, 1),
    "OfxImageEffectPropSupportsMultipleClipPARs": (INT, 1),
    "OfxImageEffectPropClipPreferencesSlaveParam": (STRING, 0),
    "OfxImageEffectPropColourManagementStyle": (STRING, 1),
    "OfxImageEffectPropColourManagementAvailableConfigs": (STRING, 0),
}

CLIP_DESCRIPTOR = {
    **_COMMON_LABELS,
    "OfxImageEffectPropSupportedComponents": (STRING, 0),
    "OfxImageEffectPropTemporalClipAccess": (INT, 1),
    "OfxImageClipPropOptional": (INT, 1),
    "OfxImageClipPropFieldExtraction": (STRING, 1),
    "OfxImageClipPropIsMask": (INT, 1),
    "OfxImageEffectPropSupportsTiles": (INT, 1),
}

PARAM_COMMON = {
    **_COMMON_LABELS,
    "OfxParamPropSecret": (INT, 1),
    "OfxParamPropHint": (STRING, 1),
    "OfxParamPropScriptName": (STRING, 1),
    "OfxParamPropParent": (STRING, 1),
    "OfxParamPropEnabled": (INT, 1),
    "OfxParamPropDataPtr": (POINTER, 1),
}
PARAM_VALUE = {
    "OfxParamPropAnimates": (INT, 1),
    "OfxParamPropPersistant": (INT, 1),
    "OfxParamPropEvaluateOnChange": (INT, 1),
    "OfxParamPropCacheInvalidation": (STRING, 1),
    "OfxParamPropCanUndo": (INT, 1),
    "kOfxParamPropUseHostOverlayHandle": (INT, 1),
}


def _numeric(type: str, size: int) -> dict[str, tuple[str, int]]:
    names = ("Min", "Max", "DisplayMin", "DisplayMax", "Default")
    return {f"OfxParamProp{name}": (type, size) for name in names}


def _double(size: int) -> dict[str, tuple[str, int]]:
    extra = {
        "OfxParamPropIncrement": (DOUBLE, 1),
        "OfxParamPropDigits": (INT, 1),
        "OfxParamPropDoubleType": (STRING, 1),
        "OfxParamPropDefaultCoordinateSystem": (STRING, 1),
    }
    labels = {"OfxParamPropDimensionLabel": (STRING, size)} if size > 1 else {}
    return _numeric(DOUBLE, size) | extra | labels


PARAM_BY_TYPE: dict[str, dict[str, tuple[str, int]]] = {
    "OfxParamTypeDouble": _double(1),
    "OfxParamTypeDouble2D": _double(2),
    "OfxParamTypeDouble3D": _double(3),
    "OfxParamTypeRGB": _double(3),
    "OfxParamTypeInteger": _numeric(INT, 1),
    "OfxParamTypeBoolean": {"OfxParamPropDefault": (INT, 1)},
    "OfxParamTypeChoice": {"OfxParamPropDefault": (INT, 1), "OfxParamPropChoiceOption": (STRING, 0)},
    "OfxParamTypeString": {"OfxParamPropDefault": (STRING, 1), "OfxParamPropStringMode": (STRING, 1)},
    "OfxParamTypePushButton": {},
    "OfxParamTypeGroup": {"OfxParamPropGroupOpen": (INT, 1)},
    "OfxParamTypePage": {"OfxParamPropPageChild": (STRING, 0)},
    "OfxParamTypeParametric": {
        "OfxParamPropParametricDimension": (INT, 1),
        "OfxParamPropParametricRange": (DOUBLE, 2),
        "OfxParamPropParametricUIColour": (DOUBLE, 0),
    },
}
WITHOUT_VALUE = ("OfxParamTypeGroup", "OfxParamTypePage", "OfxParamTypePushButton")

OUT_ARGUMENTS: dict[str, dict[str, tuple[str, int]]] = {
    "OfxImageEffectActionIsIdentity": {"OfxPropName": (STRING, 1), "OfxPropTime": (DOUBLE, 1)},
    "OfxImageEffectActionGetRegionOfDefinition": {"OfxImageEffectPropRegionOfDefinition": (DOUBLE, 4)},
    "OfxImageEffectActionGetRegionsOfInterest": {"OfxImageClipPropRoI_*": (DOUBLE, 4)},
    "OfxImageEffectActionGetFramesNeeded": {"OfxImageClipPropFrameRange_*": (DOUBLE, 0)},
    "OfxImageEffectActionGetClipPreferences": {
        "OfxImageClipPropComponents_*": (STRING, 1),
        "OfxImageClipPropDepth_*": (STRING, 1),
        "OfxImageClipPropPAR_*": (DOUBLE, 1),
        "OfxImageClipPropPreferredColourspaces_*": (STRING, 0),
        "OfxImageEffectPropFrameRate": (DOUBLE, 1),
        "OfxImageClipPropFieldOrder": (STRING, 1),
        "OfxImageEffectPropPreMultiplication": (STRING, 1),
        "OfxImageClipPropContinuousSamples": (INT, 1),
        "OfxImageEffectFrameVarying": (INT, 1),
    },
}

STRING_VALUES: dict[str, set[str]] = {
    "OfxImageEffectPropSupportedContexts": {
        f"OfxImageEffectContext{word}" for word in ("Generator", "Filter", "Transition", "Paint", "General", "Retimer")
    },
    "OfxImageEffectPropSupportedComponents": {f"OfxImageComponent{word}" for word in ("RGBA", "RGB", "Alpha")},
    "OfxImageClipPropComponents_*": {f"OfxImageComponent{word}" for word in ("RGBA", "RGB", "Alpha")},
    "OfxImageEffectPropSupportedPixelDepths": {f"OfxBitDepth{word}" for word in ("Byte", "Short", "Half", "Float")},
    "OfxImageEffectPluginRenderThreadSafety": {
        f"OfxImageEffectRender{word}" for word in ("Unsafe", "InstanceSafe", "FullySafe")
    },
    "OfxImageEffectPropPreMultiplication": {
        "OfxImageOpaque",
        "OfxImageAlphaPremultiplied",
        "OfxImageAlphaUnPremultiplied",
    },
    "OfxParamPropDoubleType": {
        f"OfxParamDoubleType{word}"
        for word in ("Plain", "Angle", "Scale", "Time", "AbsoluteTime", "X", "XAbsolute", "Y", "YAbsolute", "XY")
    }
    | {"OfxParamDoubleTypeXYAbsolute"},
    "OfxParamPropDefaultCoordinateSystem": {"OfxParamCoordinatesCanonical", "OfxParamCoordinatesNormalised"},
    "OfxParamPropStringMode": {
        f"OfxParamStringIs{word}"
        for word in ("SingleLine", "MultiLine", "FilePath", "DirectoryPath", "Label", "RichTextFormat")
    },
    "OfxImageEffectPropColourManagementStyle": {
        f"OfxImageEffectPropColourManagement{word}" for word in ("None", "Basic", "Core", "Full", "OCIO")
    },
    "OfxImageClipPropFieldExtraction": {"OfxFieldBoth", "OfxFieldSingle", "OfxFieldDoubled"},
}
"""The words that a property may hold, where the standard lists them."""

BOOLEANS = {
    "OfxImageEffectPluginPropSingleInstance",
    "OfxImageEffectPluginPropHostFrameThreading",
    "OfxImageEffectPropSupportsMultiResolution",
    "OfxImageEffectPropSupportsTiles",
    "OfxImageEffectPropTemporalClipAccess",
    "OfxImageEffectPluginPropFieldRenderTwiceAlways",
    "OfxImageEffectPropMultipleClipDepths",
    "OfxImageEffectPropSupportsMultipleClipPARs",
    "OfxImageClipPropOptional",
    "OfxImageClipPropIsMask",
    "OfxParamPropSecret",
    "OfxParamPropEnabled",
    "OfxParamPropAnimates",
    "OfxParamPropPersistant",
    "OfxParamPropEvaluateOnChange",
    "OfxParamPropCanUndo",
    "OfxParamPropGroupOpen",
    "kOfxParamPropUseHostOverlayHandle",
}


def rule(rules: dict[str, tuple[str, int]], name: str) -> tuple[str, tuple[str, int] | None]:
    """Return the name under which the rules know a property (with * for a clip's name), and its type and size."""
    if name in rules:
        return name, rules[name]
    general = name.partition("_")[0] + "_*"
    return general, rules.get(general)
