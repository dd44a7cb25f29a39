"""The C interface of the OpenFX standard as ctypes sees it: suites, statuses and the names of properties.

Source: the headers of the OpenFX standard 1.5 (Academy Software Foundation). Names keep the standard's words; the
comment beside a name says where its spelling is not what one would expect.
"""

from __future__ import annotations

import ctypes
from ctypes import CFUNCTYPE, POINTER, Structure, c_char, c_char_p, c_double, c_int, c_size_t, c_uint, c_void_p
from typing import Any

# --- statuses -----------------------------------------------------------------------------------------------

OK, FAILED, FATAL, UNKNOWN, MISSING_HOST_FEATURE, UNSUPPORTED, EXISTS = range(7)
FORMAT, MEMORY, BAD_HANDLE, BAD_INDEX, BAD_VALUE, REPLY_YES, REPLY_NO, REPLY_DEFAULT = range(7, 15)
IMAGE_FORMAT = 1000

# --- actions ------------------------------------------------------------------------------------------------

LOAD, UNLOAD, DESCRIBE = b"OfxActionLoad", b"OfxActionUnload", b"OfxActionDescribe"
DESCRIBE_IN_CONTEXT = b"OfxImageEffectActionDescribeInContext"
CREATE, DESTROY = b"OfxActionCreateInstance", b"OfxActionDestroyInstance"
CHANGED, BEGIN_CHANGED, END_CHANGED = (
    b"OfxActionInstanceChanged",
    b"OfxActionBeginInstanceChanged",
    b"OfxActionEndInstanceChanged",
)
BEGIN_EDIT, END_EDIT = b"OfxActionBeginInstanceEdit", b"OfxActionEndInstanceEdit"
PURGE, SYNC = b"OfxActionPurgeCaches", b"OfxActionSyncPrivateData"
GET_ROD, GET_ROI = b"OfxImageEffectActionGetRegionOfDefinition", b"OfxImageEffectActionGetRegionsOfInterest"
IS_IDENTITY = b"OfxImageEffectActionIsIdentity"
GET_FRAMES, GET_PREFERENCES = b"OfxImageEffectActionGetFramesNeeded", b"OfxImageEffectActionGetClipPreferences"
BEGIN_SEQUENCE, END_SEQUENCE = (
    b"OfxImageEffectActionBeginSequenceRender",
    b"OfxImageEffectActionEndSequenceRender",
)
RENDER = b"OfxImageEffectActionRender"
GET_OUTPUT_SPACE = b"OfxImageEffectActionGetOutputColourspace"

# --- values -------------------------------------------------------------------------------------------------

FILTER, GENERAL = b"OfxImageEffectContextFilter", b"OfxImageEffectContextGeneral"
RGBA, RGB, ALPHA = b"OfxImageComponentRGBA", b"OfxImageComponentRGB", b"OfxImageComponentAlpha"
BYTE, SHORT, HALF, FLOAT = b"OfxBitDepthByte", b"OfxBitDepthShort", b"OfxBitDepthHalf", b"OfxBitDepthFloat"
PREMULTIPLIED, UNPREMULTIPLIED = b"OfxImageAlphaPremultiplied", b"OfxImageAlphaUnPremultiplied"
FIELD_LOWER, FIELD_UPPER, FIELD_BOTH = b"OfxFieldLower", b"OfxFieldUpper", b"OfxFieldBoth"
USER_EDITED = b"OfxChangeUserEdited"
ERROR, WARNING, MESSAGE = b"OfxMessageError", b"OfxMessageWarning", b"OfxMessageMessage"
DRAW, KEY_DOWN = b"OfxInteractActionDraw", b"OfxInteractActionKeyDown"
PEN_DOWN, PEN_MOTION, PEN_UP = (
    b"OfxInteractActionPenDown",
    b"OfxInteractActionPenMotion",
    b"OfxInteractActionPenUp",
)
TYPE_CLIP = b"OfxTypeClip"
TYPE_PARAMETER = b"OfxTypeParameter"

# --- properties ---------------------------------------------------------------------------------------------

TYPE, NAME, TIME, LABEL = b"OfxPropType", b"OfxPropName", b"OfxPropTime", b"OfxPropLabel"
SHORT_LABEL, LONG_LABEL = b"OfxPropShortLabel", b"OfxPropLongLabel"
VERSION, VERSION_LABEL, DESCRIPTION = b"OfxPropVersion", b"OfxPropVersionLabel", b"OfxPropPluginDescription"
CHANGE_REASON = b"OfxPropChangeReason"
GROUPING = b"OfxImageEffectPluginPropGrouping"
CONTEXT, CONTEXTS = b"OfxImageEffectPropContext", b"OfxImageEffectPropSupportedContexts"
DEPTH, DEPTHS = b"OfxImageEffectPropPixelDepth", b"OfxImageEffectPropSupportedPixelDepths"
COMPONENTS, SUPPORTED_COMPONENTS = b"OfxImageEffectPropComponents", b"OfxImageEffectPropSupportedComponents"
SINGLE_INSTANCE = b"OfxImageEffectPluginPropSingleInstance"
THREAD_SAFETY, FULLY_SAFE = b"OfxImageEffectPluginRenderThreadSafety", b"OfxImageEffectRenderFullySafe"
HOST_THREADING = b"OfxImageEffectPluginPropHostFrameThreading"
MULTI_RESOLUTION, TILES = b"OfxImageEffectPropSupportsMultiResolution", b"OfxImageEffectPropSupportsTiles"
TEMPORAL = b"OfxImageEffectPropTemporalClipAccess"
RENDER_TWICE = b"OfxImageEffectPluginPropFieldRenderTwiceAlways"
MULTIPLE_DEPTHS = b"OfxImageEffectPropMultipleClipDepths"  # without "Supports"
MULTIPLE_ASPECTS = b"OfxImageEffectPropSupportsMultipleClipPARs"
SLAVE_PARAMETERS = b"OfxImageEffectPropClipPreferencesSlaveParam"
COLOUR_STYLE = b"OfxImageEffectPropColourManagementStyle"
COLOUR_CONFIGURATIONS = b"OfxImageEffectPropColourManagementAvailableConfigs"
COLOUR_NONE, COLOUR_BASIC = b"OfxImageEffectColourManagementNone", b"OfxImageEffectColourManagementBasic"
COLOUR_CORE = b"OfxImageEffectColourManagementCore"
COLOURSPACE, PREFERRED_COLOURSPACES = b"OfxImageClipPropColourspace", b"OfxImageClipPropPreferredColourspaces_"
WITHOUT_NEIGHBOURS = b"OfxImageEffectPropNoSpatialAwareness"
OPTIONAL, IS_MASK = b"OfxImageClipPropOptional", b"OfxImageClipPropIsMask"
PREMULTIPLICATION = b"OfxImageEffectPropPreMultiplication"
CLIP_COMPONENTS, CLIP_ROI, CLIP_FRAMES = (
    b"OfxImageClipPropComponents_",
    b"OfxImageClipPropRoI_",
    b"OfxImageClipPropFrameRange_",
)
FRAME_RANGE = b"OfxImageEffectPropFrameRange"
REGION_OF_DEFINITION = b"OfxImageEffectPropRegionOfDefinition"
RENDER_WINDOW, RENDER_SCALE = b"OfxImageEffectPropRenderWindow", b"OfxImageEffectPropRenderScale"
FIELD_TO_RENDER = b"OfxImageEffectPropFieldToRender"
PROJECT_SIZE, PROJECT_OFFSET = b"OfxImageEffectPropProjectSize", b"OfxImageEffectPropProjectOffset"
IMAGE_DATA, IMAGE_BOUNDS, IMAGE_ROW_BYTES = b"OfxImagePropData", b"OfxImagePropBounds", b"OfxImagePropRowBytes"
IMAGE_ROD, IMAGE_ASPECT, IMAGE_FIELD = (
    b"OfxImagePropRegionOfDefinition",
    b"OfxImagePropPixelAspectRatio",
    b"OfxImagePropField",
)

EFFECT_INSTANCE, DRAW_CONTEXT = b"OfxPropEffectInstance", b"OfxInteractPropDrawContext"
PIXEL_SCALE, PEN_POSITION = b"OfxInteractPropPixelScale", b"OfxInteractPropPenPosition"
HAS_HOST_HANDLE = b"OfxParamPropHasHostOverlayHandle"
SLAVE_TO_PARAM, KEY_SYMBOL = b"OfxInteractPropSlaveToParam", b"kOfxPropKeySym"
LINES, LINE_STRIP, LINE_LOOP, RECTANGLE, POLYGON, ELLIPSE = range(6)
ALIGN_LEFT, ALIGN_BASELINE = 1, 16

# --- structures ---------------------------------------------------------------------------------------------

_P, _S, _I, _D = c_void_p, c_char_p, c_int, c_double


class Host(Structure):
    """What a host hands to a plug-in: its properties, and the function that finds suites."""

    _fields_ = (("properties", _P), ("fetch_suite", CFUNCTYPE(_P, _P, _S, _I)))


class RectD(Structure):
    """A rectangle in canonical coordinates."""

    _fields_ = (("x1", _D), ("y1", _D), ("x2", _D), ("y2", _D))


def _suite(name: str, **members: tuple[Any, ...]) -> Any:
    """Make a structure of function pointers. Of variadic functions only the fixed arguments are declared."""
    fields = [(member, CFUNCTYPE(_I, *arguments)) for member, arguments in members.items()]
    return type(name, (Structure,), {"_fields_": fields})


PropertySuite = _suite(
    "PropertySuite",
    set_pointer=(_P, _S, _I, _P),
    set_string=(_P, _S, _I, _S),
    set_double=(_P, _S, _I, _D),
    set_int=(_P, _S, _I, _I),
    set_pointers=(_P, _S, _I, _P),
    set_strings=(_P, _S, _I, _P),
    set_doubles=(_P, _S, _I, _P),
    set_ints=(_P, _S, _I, _P),
    get_pointer=(_P, _S, _I, _P),
    get_string=(_P, _S, _I, _P),
    get_double=(_P, _S, _I, _P),
    get_int=(_P, _S, _I, _P),
    get_pointers=(_P, _S, _I, _P),
    get_strings=(_P, _S, _I, _P),
    get_doubles=(_P, _S, _I, _P),
    get_ints=(_P, _S, _I, _P),
    reset=(_P, _S),
    get_dimension=(_P, _S, _P),
)
ParameterSuite = _suite(
    "ParameterSuite",
    define=(_P, _S, _S, _P),
    get_handle=(_P, _S, _P, _P),
    set_get_property_set=(_P, _P),
    get_property_set=(_P, _P),
    get_value=(_P,),
    get_value_at_time=(_P, _D),
    get_derivative=(_P, _D),
    get_integral=(_P, _D, _D),
    set_value=(_P,),
    set_value_at_time=(_P, _D),
    get_key_count=(_P, _P),
    get_key_time=(_P, c_uint, _P),
    get_key_index=(_P, _D, _I, _P),
    delete_key=(_P, _D),
    delete_all_keys=(_P,),
    copy=(_P, _P, _D, _P),
    edit_begin=(_P, _S),
    edit_end=(_P,),
)
EffectSuite = _suite(
    "EffectSuite",
    get_property_set=(_P, _P),
    get_param_set=(_P, _P),
    clip_define=(_P, _S, _P),
    clip_get_handle=(_P, _S, _P, _P),
    clip_get_property_set=(_P, _P),
    clip_get_image=(_P, _D, _P, _P),
    clip_release_image=(_P,),
    clip_get_region_of_definition=(_P, _D, _P),
    abort=(_P,),
    memory_alloc=(_P, c_size_t, _P),
    memory_free=(_P,),
    memory_lock=(_P, _P),
    memory_unlock=(_P,),
)
MessageSuite = _suite(
    "MessageSuite",
    message=(_P, _S, _S, _S),
    set_persistent=(_P, _S, _S, _S),  # from version 2
    clear_persistent=(_P,),
)
ProgressSuite1 = _suite("ProgressSuite1", start=(_P, _S), update=(_P, _D), end=(_P,))
ProgressSuite2 = _suite("ProgressSuite2", start=(_P, _S, _S), update=(_P, _D), end=(_P,))
ThreadSuite = _suite(
    "ThreadSuite",
    run=(_P, c_uint, _P),
    count=(_P,),
    index=(_P,),
    is_spawned=(),
    create=(_P, _I),
    destroy=(_P,),
    lock=(_P,),
    unlock=(_P,),
    try_lock=(_P,),
)
DrawSuite = _suite(
    "DrawSuite",
    get_colour=(_P, _I, _P),
    set_colour=(_P, _P),
    set_line_width=(_P, ctypes.c_float),
    set_line_stipple=(_P, _I),
    draw=(_P, _I, _P, _I),
    draw_text=(_P, _S, _P, _I),
)
InteractSuite = _suite("InteractSuite", swap_buffers=(_P,), redraw=(_P,), get_property_set=(_P, _P))
CurveSuite = _suite(
    "CurveSuite",  # the standard's parametric parameters
    get_value=(_P, _I, _D, _D, _P),
    get_point_count=(_P, _I, _D, _P),
    get_point=(_P, _I, _D, _I, _P, _P),
    set_point=(_P, _I, _D, _I, _D, _D, ctypes.c_bool),
    add_point=(_P, _I, _D, _D, _D, ctypes.c_bool),
    delete_point=(_P, _I, _I),
    delete_all_points=(_P, _I),
)

# --- the launcher -------------------------------------------------------------------------------------------

LAYOUT = 2
"""Raised when :class:`Link` changes; launcher.c holds the same number."""

FOR_EFFECT, FOR_OVERLAY = range(2)
"""What an action is for: an effect, or the drawing over the picture that belongs to it."""

Dispatch = CFUNCTYPE(None, c_int, c_int, c_char_p, c_void_p, c_void_p, c_void_p, c_void_p, POINTER(c_int))
"""slot, aim, action, handle, in arguments, out arguments, host, where the status goes."""


class Link(Structure):
    """What launcher.c and Python share."""

    _fields_ = (("layout", c_int), ("dispatch", c_void_p), ("error", c_char * 8192))
