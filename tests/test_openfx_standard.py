"""OpenFX names: every text, number and suite of adapter, launcher and test host against the standard's own headers.

``ofx_host/standard.json`` holds what the headers define; ``store_standard.py`` writes it. Neither the adapter nor the
test host can be wrong about a name without being told so here.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from inkarnat.host_adapters.openfx import api, bundle
from ofx_host import Host, HostImage, Stage, rules
from ofx_host.bundles import built, by_name
from test_openfx_render import all_images

TESTS = Path(__file__).parent
PYTHON = [
    *sorted(bundle.SOURCES.glob("*.py")),
    *(path for path in sorted((TESTS / "ofx_host").glob("*.py")) if path.name != "store_standard.py"),
    *(path for path in sorted(TESTS.glob("test_openfx_*.py")) if path != Path(__file__)),
]
C_FILES = [*sorted(bundle.SOURCES.glob("*.[ch]")), *sorted((TESTS / "ofx_host").glob("*.c"))]
INVENTED = {"OfxPropNonsense", "OfxActionSomethingNew", "OfxActionDescribeInteract"}
"""Names that tests make up, to see what becomes of a name that the standard does not know."""
PREFIXES = {"OfxParamType", "OfxParamProp", "kOfxParamProp", "OfxProp", "OfxImageEffectContext", "OfxMessage"} | {
    "kOfxParamDoubleType"
}
"""Beginnings of names that are put together or taken off; the strict host sees the whole names."""
LOADED = {"OfxGetNumberOfPlugins", "OfxGetPlugin", "OfxSetHost"}
"""Functions that a host looks up in a binary, by their C names."""
_NAME = re.compile(r"k?Ofx[A-Z]\w*")


def literals(path: Path) -> list[tuple[str, bool]]:
    """Return every text in a Python file that looks like a name of the standard, and whether more follows it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    parts = {id(value) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for value in node.values}
    joined = {id(n.left) for n in ast.walk(tree) if isinstance(n, ast.BinOp) and isinstance(n.op, ast.Add)}
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str | bytes):
            text = node.value.decode("latin-1") if isinstance(node.value, bytes) else node.value
            text, _, version = text.partition(" ")  # "OfxMessageSuite 2" of the test host
            if _NAME.fullmatch(text) and (not version or version.isdigit()):
                found.append((text, id(node) in parts or id(node) in joined))
    return found


def is_known(text: str, more_follows: bool) -> bool:
    known = rules.VALUES | set(rules.STANDARD["actions"]) | set(rules.STANDARD["suites"])
    if more_follows:
        return any(value.startswith(text) for value in (*known, *rules.STANDARD["names"], *rules.STANDARD["numbers"]))
    per_clip = text.partition("_")[0] + "_"
    return text in known or (per_clip in rules.PER_CLIP and text != per_clip.rstrip("_")) or text in rules.PER_CLIP


def is_constant(text: str) -> bool:
    """Tell whether a text is the C name of a constant, which only the table's own readers use."""
    return text in rules.STANDARD["names"] or text in rules.STANDARD["numbers"]


@pytest.mark.parametrize("path", PYTHON, ids=lambda path: path.name)
def test_every_name_in_python_is_one_of_the_standard(path):
    in_tests = path.is_relative_to(TESTS)
    wrong = [
        text
        for text, more in literals(path)
        if not is_known(text, more)
        and not (in_tests and (text in INVENTED | LOADED or is_constant(text)))
        and text not in PREFIXES
        and not text.startswith("OfxColourspace_")
    ]
    assert not wrong, f"{path.name}: {wrong}"


@pytest.mark.parametrize("path", C_FILES, ids=lambda path: path.name)
def test_every_name_in_c_is_one_of_the_standard(path):
    texts = re.findall(r'"(k?Ofx[A-Z]\w*)"', path.read_text(encoding="utf-8"))
    wrong = [text for text in texts if not is_known(text, False) and text not in LOADED]
    assert not wrong, f"{path.name}: {wrong}"


def test_a_wrong_name_would_be_found():
    assert not is_known("OfxImageEffectPropColourManagementCore", False)
    assert not is_known("OfxImagePropBound", False)
    assert is_known("OfxImageClipPropRoI_Source", False)
    assert is_known("OfxParamProp", True)
    assert not is_known("OfxParamPropp", True)


STATUSES = {
    "OK": "OK",
    "FAILED": "Failed",
    "FATAL": "ErrFatal",
    "UNKNOWN": "ErrUnknown",
    "MISSING_HOST_FEATURE": "ErrMissingHostFeature",
    "UNSUPPORTED": "ErrUnsupported",
    "EXISTS": "ErrExists",
    "FORMAT": "ErrFormat",
    "MEMORY": "ErrMemory",
    "BAD_HANDLE": "ErrBadHandle",
    "BAD_INDEX": "ErrBadIndex",
    "BAD_VALUE": "ErrValue",
    "REPLY_YES": "ReplyYes",
    "REPLY_NO": "ReplyNo",
    "REPLY_DEFAULT": "ReplyDefault",
    "IMAGE_FORMAT": "ErrImageFormat",
}


def test_statuses():
    told = {ours: rules.STANDARD["numbers"][f"kOfxStat{theirs}"] for ours, theirs in STATUSES.items()}
    assert told == {ours: getattr(api, ours) for ours in STATUSES}


def test_numbers_of_the_draw_suite():
    told = rules.STANDARD["numbers"]
    for ours, theirs in (("LINES", "Lines"), ("LINE_STRIP", "LineStrip"), ("LINE_LOOP", "LineLoop")):
        assert getattr(api, ours) == told[f"kOfxDrawPrimitive{theirs}"]
    for ours, theirs in (("RECTANGLE", "Rectangle"), ("POLYGON", "Polygon"), ("ELLIPSE", "Ellipse")):
        assert getattr(api, ours) == told[f"kOfxDrawPrimitive{theirs}"]
    assert told["kOfxDrawTextAlignmentLeft"] == api.ALIGN_LEFT
    assert told["kOfxDrawTextAlignmentBaseline"] == api.ALIGN_BASELINE


@pytest.mark.parametrize(
    ("suite", "layout"),
    [
        ("OfxPropertySuiteV1", api.PropertySuite),
        ("OfxImageEffectSuiteV1", api.EffectSuite),
        ("OfxParameterSuiteV1", api.ParameterSuite),
        ("OfxMessageSuiteV2", api.MessageSuite),
        ("OfxProgressSuiteV1", api.ProgressSuite1),
        ("OfxProgressSuiteV2", api.ProgressSuite2),
        ("OfxParametricParameterSuiteV1", api.CurveSuite),
        ("OfxMultiThreadSuiteV1", api.ThreadSuite),
        ("OfxDrawSuiteV1", api.DrawSuite),
        ("OfxInteractSuiteV1", api.InteractSuite),
    ],
)
def test_suites_have_the_standards_functions_in_its_order(suite, layout):
    """Names are compared in small letters without what the suite's own name says already."""

    def plain(word: str) -> str:
        word = re.sub(r"^(parametricParam|prop(?=[SGR])|param|progress)", "", word).lower().replace("_", "")
        word = re.sub(r"^(set|get)(pointer|string|double|int)s$", r"\1\2n", word)
        return {
            "multithread": "run",
            "multithreadnumcpus": "count",
            "multithreadindex": "index",
            "multithreadisspawnedthread": "isspawned",
            **{f"mutex{word}": word for word in ("create", "destroy", "lock", "unlock")},
            "mutextrylock": "trylock",
            "interactswapbuffers": "swapbuffers",
            "interactredraw": "redraw",
            "interactgetpropertyset": "getpropertyset",
            "drawtext": "drawtext",
            "getncontrolpoints": "getpointcount",
            "getnthcontrolpoint": "getpoint",
            "setnthcontrolpoint": "setpoint",
            "addcontrolpoint": "addpoint",
            "deletecontrolpoint": "deletepoint",
            "deleteallcontrolpoints": "deleteallpoints",
            "getnumkeys": "getkeycount",
            "setpersistentmessage": "setpersistent",
            "clearpersistentmessage": "clearpersistent",
        }.get(word, word.replace("image", "") if word.startswith("imagememory") else word)

    ours = [plain(name) for name, _ in layout._fields_]
    assert ours == [plain(name) for name in rules.STANDARD["suites"][suite]]


# --- the whole standard: what is answered, written and read, and why the rest is not ------------------------

ANSWERED = {
    "OfxActionDescribe": "test_a_strict_host_loads_and_describes_every_effect",
    "OfxImageEffectActionDescribeInContext": "test_clips_follow_the_ports",
    "OfxActionUnload": "test_actions_on_handles_that_are_none",
    "OfxActionCreateInstance": "test_the_bundle_renders_what_the_node_does",
    "OfxActionDestroyInstance": "test_the_bundle_renders_what_the_node_does",
    "OfxActionInstanceChanged": "test_learning_from_samples",
    "OfxActionBeginInstanceChanged": "test_actions_that_need_no_answer",
    "OfxActionEndInstanceChanged": "test_actions_that_need_no_answer",
    "OfxActionBeginInstanceEdit": "test_actions_that_need_no_answer",
    "OfxActionEndInstanceEdit": "test_actions_that_need_no_answer",
    "OfxActionPurgeCaches": "test_purging_gives_the_memory_back",
    "OfxActionSyncPrivateData": "test_actions_that_need_no_answer",
    "OfxImageEffectActionGetRegionOfDefinition": "test_regions_of_definition_and_of_interest",
    "OfxImageEffectActionGetRegionsOfInterest": "test_regions_of_definition_and_of_interest",
    "OfxImageEffectActionGetFramesNeeded": "test_a_node_over_time_gets_its_frames_in_order",
    "OfxImageEffectActionIsIdentity": "test_an_effect_that_changes_nothing_names_its_source",
    "OfxImageEffectActionGetClipPreferences": "test_preferences_of_an_effect_that_makes_a_matte",
    "OfxImageEffectActionGetOutputColourspace": "test_the_colour_space_of_the_output",
    "OfxImageEffectActionBeginSequenceRender": "test_actions_that_need_no_answer",
    "OfxImageEffectActionEndSequenceRender": "test_actions_that_need_no_answer",
    "OfxImageEffectActionRender": "test_the_bundle_renders_what_the_node_does",
}
"""What the bundle answers, and the test that shows it."""
ON_THE_PICTURE = {
    "OfxInteractActionDraw": "test_samples_are_drawn_where_they_count_and_told_apart_without_colour",
    "OfxInteractActionPenDown": "test_dragging_the_centre_and_the_ends",
    "OfxInteractActionPenMotion": "test_dragging_the_centre_and_the_ends",
    "OfxInteractActionPenUp": "test_dragging_the_centre_and_the_ends",
    "OfxInteractActionKeyDown": "test_the_delete_key_takes_the_selected_sample_away",
    "OfxInteractActionKeyUp": "test_other_actions_on_the_picture_are_the_hosts",
    "OfxInteractActionKeyRepeat": "test_other_actions_on_the_picture_are_the_hosts",
    "OfxInteractActionGainFocus": "test_other_actions_on_the_picture_are_the_hosts",
    "OfxInteractActionLoseFocus": "test_an_edit_that_is_broken_off_ends",
}
LEFT_TO_THE_HOST = {
    "OfxImageEffectActionGetTimeDomain": "for generators; the default, the frames of Source, is right",
}


def test_every_action_is_answered_or_left_for_a_reason():
    assert set(ANSWERED) | set(ON_THE_PICTURE) | set(LEFT_TO_THE_HOST) == set(rules.STANDARD["actions"])
    tests = "\n".join(path.read_text(encoding="utf-8") for path in TESTS.glob("test_openfx_*.py"))
    named = [*ANSWERED.values(), *ON_THE_PICTURE.values()]
    assert [test for test in named if f"def {test}(" not in tests] == []


WHY_NOT_WRITTEN = {
    "graphics card": ("OpenGL", "OpenCL", "Cuda", "Metal", "CPURender"),
    "OpenGL drawing, which version 2 of the overlay replaces": ("OverlayInteractV1",),
    "the host's own": ("OfxPluginPropFilePath", "OfxParamPropIsAnimating", "OfxParamPropIsAutoKeying", "OfxPropType"),
    "the effects are current": ("PropObsolete",),
    "labels serve": ("DimensionLabel",),
    "whole frames are asked for": ("FieldExtraction",),
    "no data of their own": ("DataPtr", "CustomCallback"),
    "no drawing inside the panel": ("InteractV1", "InteractSize", "InteractMinimum", "InteractPrefered", "TimeMarker"),
    "deprecated": ("PluginMayWrite",),
    "the default is right": ("Persistant", "CanUndo", "CacheInvalidation", "FilePathExists", "ParametricUIColour"),
    "the host's curve control draws its own ground": ("ParametricInteractBackground",),
    "the order of options has not changed": ("ChoiceOrder",),
    "the host's to say, and read for every position": ("HasHostOverlayHandle",),
    "there is one page": ("ParamPageOrder",),
    "icons of effects lie in Resources; buttons have words": ("OfxPropIcon",),
    "values are in controls alone": ("NeedsSyncing",),
}
SETS = ("EffectDescriptor", "ClipDescriptor", *(name for name in rules.STANDARD["sets"] if name.startswith("Param")))


def test_every_property_of_a_description_is_written_or_left_for_a_reason():
    host = Host(words=True)
    by_name(host, built())
    listed = {p for s in SETS for p, by in rules.STANDARD["sets"][s].items() if by == "plugin"}
    missing = listed - host.written - set(rules.READ_ONLY)
    without_reason = [p for p in missing if not any(w in p for words in WHY_NOT_WRITTEN.values() for w in words)]
    assert without_reason == []
    assert not host.complaints


def test_what_a_render_reads_is_what_the_standard_gives_it():
    host = Host()
    effects = by_name(host, built())
    host.read.clear()
    from inkarnat.nodes import NODES

    for name, kind in NODES.items():
        images = all_images(kind)
        instance = effects[name].instance()
        output = HostImage(images["Source"] * 0)
        assert instance.render(Stage(output, {clip: HostImage(image) for clip, image in images.items()})) == 0
    given = {
        p for s in ("ImageEffectHost", "Image", "ClipInstance", "EffectInstance") for p in rules.STANDARD["sets"][s]
    }
    given |= set(rules.STANDARD["actions"]["OfxImageEffectActionRender"]["in"])
    # The table of the render's arguments leaves out what its description lists.
    given |= {f"OfxImageEffectProp{word}" for word in ("FieldToRender", "RenderWindow", "RenderScale")}
    assert host.read <= given, host.read - given
