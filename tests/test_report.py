"""Reports: one page in one file, read as text and looked at in a browser."""

from __future__ import annotations

import functools
import json
import math
import re
import shlex
import shutil
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import browser
import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.report import findings as gathering
from inkarnat.host_adapters.report import page, write_page
from inkarnat.host_adapters.report.charts import Line, strip
from inkarnat.host_adapters.report.images import off_target
from inkarnat.host_adapters.report.page import _templates as page_templates
from inkarnat.host_adapters.shots.aims import with_aims, with_light
from inkarnat.host_adapters.shots.people import People, Person, frame_hash
from inkarnat.host_adapters.shots.runs import Run, RunClip, RunError
from inkarnat.kernels.limits import LimitShares
from inkarnat.nodes import CARD, LIMITS, Aim, CorrectionOptions, MarkedFrame, Skin, SkinReading, solve_correction
from takes import LIGHTS, SAWDUST, Reel, approved, take, write

AUDIT = (Path(__file__).parent / "audit.js").read_text(encoding="utf-8")


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


@pytest.fixture(scope="module")
def workplace(tmp_path_factory):
    """Four takes carried, with their report: the demonstration that is looked at."""
    folder = tmp_path_factory.mktemp("report")
    first = take("take1")
    marked = MarkedFrame(1, first.clip.read(1), (first.face(),), (SAWDUST,), first.card())
    target = approved(first).target()
    correction = solve_correction([marked], CorrectionOptions(target=target))
    graph = chain_graph(correction.links(), correction.outputs())
    with_light(with_aims(graph, {"": Aim(target)}), CARD).save(folder / "take1.json")
    files = {name: write(take(name), folder) for name in LIGHTS}
    others = [files[name] for name in list(LIGHTS)[1:]]
    done = run(
        "carry", folder / "take1.json", "--from", files["take1"], "--to", *others, "-o", folder / "out",
        "--neutral", f"{files['take2']}={take('take2').card()}", "--json",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    return folder / "out", json.loads(done.stdout)


@pytest.fixture(scope="module")
def html(workplace):
    return (workplace[0] / "report.html").read_text(encoding="utf-8")


# --- as text ------------------------------------------------------------------------------------------------


class Elements(HTMLParser):
    """Every element with its attributes; complains about tags that do not match."""

    EMPTY = ("meta", "img", "input", "br")

    def __init__(self, text):
        super().__init__()
        self.found, self.open = [], []
        self.feed(text)
        assert not self.open, self.open

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def of(self, tag):
        return [attributes for name, attributes in self.found if name == tag]


def test_the_page_is_well_formed_and_whole_in_itself(html):
    elements = Elements(html)
    ids = [attributes["id"] for _, attributes in elements.found if "id" in attributes]
    assert len(set(ids)) == len(ids)
    assert all(a["src"].startswith("data:image/") for a in elements.of("img"))
    assert all(a["href"].removeprefix("#") in ids for a in elements.of("a"))
    assert all(label["for"] in ids for label in elements.of("label"))
    assert not elements.of("link")
    assert not elements.of("iframe")
    assert all("src" not in script for script in elements.of("script"))
    without_images = re.sub(r"data:image/[^\"]*", "", html)
    assert not re.search(r"https?:|//\w|url\(|@import", without_images.replace("// ", ""))


def test_the_statuses_are_those_of_carrying(workplace, html):
    _, told = workplace
    for clip in told["clips"]:
        card = re.search(rf'<li [^>]*data-name="{clip["name"]}".*?</li>', html, re.S)[0]
        assert f'class="status {clip["status"]}"' in card
        assert clip["sentence"] in unescape(card)
        assert clip["sentence"] in unescape(re.search(rf"<summary><h2>{clip['name']}</h2>.*?</summary>", html)[0])
    assert {clip["status"] for clip in told["clips"]} == {"holds", "check", "off"}


def test_the_worst_comes_first_and_everything_is_linked(workplace, html):
    names = re.findall(r'<li data-worst=\d+ data-run=\d+ data-name="(\w+)"', html)
    statuses = {clip["name"]: clip["status"] for clip in workplace[1]["clips"]}
    assert [statuses[name] for name in names] == ["off", "check", "holds", "holds"]
    ids = re.findall(r'<details class=clip id="(clip\d)"', html)
    assert [f'href="#{id}"' in html for id in ids] == [True] * 4


def test_the_line_and_the_limits_are_printed(html):
    assert "The line used here is 123°." in html
    folded = unescape(re.search(r"<details class=limits>.*?</details>", html, re.S)[0])
    for name in ("hue", "colour", "turn", "balance"):
        assert LIMITS[name].what in folded
        assert LIMITS[name].shown(LIMITS[name].check) in folded


def test_a_face_shows_how_far_it_is_off():
    """Skin on the target stays grey, yellower skin turns orange and redder skin blue."""
    colours = [Skin(angle, 0.2, 0.5).rgb() for angle in (123.0, 133.0, 113.0)]
    picture = np.repeat(np.array(colours, np.float32)[None], 4, axis=0)
    on, yellower, redder = off_target(picture, np.ones((4, 3), np.float32), 123.0)[0]
    assert np.ptp(on) < 0.02
    assert yellower[0] - yellower[2] > 0.3
    assert redder[2] - redder[0] > 0.3
    unkeyed = off_target(picture, np.zeros((4, 3), np.float32), 123.0)
    assert np.ptp(unkeyed, axis=2).max() == 0


@pytest.fixture(scope="module")
def shown():
    """A noisy HD picture."""
    return workshop.camera(workshop.portrait("light", 5, 1920, 1080).light, noise=0.02)


def test_forty_clips_stay_below_6_mb(workplace, shown, tmp_path, monkeypatch):
    """HD pictures with noise; the size is that of the images, which are drawn for a page of forty."""
    folder, _ = workplace
    monkeypatch.setattr(gathering, "open_clip", lambda path: Reel("take1", [shown]))
    made = Run.load(folder / "carry.json")
    monkeypatch.setattr(gathering, "draw_images", functools.partial(_as_of, 40, gathering.draw_images))
    found = gathering.gather(replace(made, clips=made.clips[:1]), most=1)
    many = [replace(found.clips[0], clip=replace(found.clips[0].clip, name=f"take{n}")) for n in range(1, 41)]
    write_page(tmp_path / "page.html", replace(found, clips=tuple(many)))
    assert (tmp_path / "page.html").stat().st_size < 6e6


def _as_of(clips, draw, pictures, matte, _, target):
    return draw(pictures, matte, clips, target)


def test_the_cautions_stand_once_in_the_footer(html):
    html = unescape(html)
    footer = html[html.index("<footer>") :]
    for caution in ("calibrated display", "skin varies with person, light and intent", "facility's specification"):
        assert html.count(caution) == footer.count(caution) == 1


def test_hashes_and_versions_allow_to_do_it_again(workplace, html):
    folder, _ = workplace
    assert frame_hash(take("take1").clip.read(1)) != ""
    made = Run.load(folder / "carry.json")
    findings = gathering.gather(replace(made, clips=made.clips[:1]), most=2)
    for what, value in findings.clips[0].hashes:
        assert value in html, what
    assert all(f"{name} {version}" in html for name, version in findings.versions)


def test_words_from_outside_are_escaped(workplace):
    folder, _ = workplace
    made = Run.load(folder / "carry.json")
    name = '<b>&"take'
    person = Person(122.0, 0.2, 0.5, 0.0, "<i>Ada</i>")
    strange = replace(made, clips=(replace(made.clips[0], name=name),), reference=name, title="<u>", person=person)
    text = page(gathering.gather(strange, most=1))
    for raw in (name, "<i>Ada", "<u>"):
        assert raw not in text
    Elements(text)


def test_the_commands_of_the_page_do_it_again_as_they_are_pasted(workplace, tmp_path, monkeypatch):
    """From a folder with a blank, for files with quotes, a dash and a dollar in their names, with what was assumed."""
    folder, _ = workplace
    made = Run.load(folder / "carry.json")
    place, own = tmp_path / "to client's", made.clips[0]
    place.mkdir()
    files, graph = place / "-take '1'$X.%03d.png", place / "-its graph.json"
    for frame in (1, 2):
        shutil.copy(str(made.path(own.files)) % frame, str(files) % frame)
    shutil.copy(made.path(own.graph), graph)
    clip = replace(
        own, name="a/b", files=str(files), graph=str(graph), frame=None, frames="1-2", read_as={"damaged": "mark"}
    )
    findings = gathering.gather(replace(made, clips=(clip,), reference="a/b", person=None), most=1)
    monkeypatch.chdir(tmp_path)
    write_page("to client's/page.html", findings)
    text = (place / "page.html").read_text(encoding="utf-8")
    program, *words = shlex.split(unescape(re.search(r"<pre[^>]*><code>(.*?)</code>", text, re.S)[1]))
    assert (program, "In the folder where this page was written:" in text) == ("inkarnat", True)
    assert words[-4:] == ["--frames", "1-2", "--damaged", "mark"]
    monkeypatch.chdir(place)
    done = run(*words)
    assert (done.exit_code, (place / "a_b-skin.002.png").exists()) == (0, True), done.output


def test_a_template_escapes_and_knows_every_name():
    """An apostrophe that ends an attribute, and a name that a template misspells."""
    import jinja2

    templates = page_templates()
    shown = templates.from_string('<b title="{{ name }}">{{ name|coded|safe }}</b>').render(name="\"x' --keep <i>")
    assert shown == '<b title="&#34;x&#39; --keep &lt;i&gt;">&quot;x&#x27; <code>--keep</code> &lt;i&gt;</b>'
    with pytest.raises(jinja2.UndefinedError, match="nmae"):
        templates.from_string("{{ nmae }}").render(name="x")


def test_a_thousand_frames_stay_below_15_mb(workplace, shown, tmp_path, monkeypatch):
    """The frame that is shown is HD and noisy; a hundred are measured, and told ten times over."""
    folder, _ = workplace
    small = [picture for picture, _ in workshop.clip(4, "light", 5, width=128, height=72)]
    clip = Reel("take1", [shown] + [small[i % 4] for i in range(99)])
    monkeypatch.setattr(gathering, "open_clip", lambda path: clip)
    made = Run.load(folder / "carry.json")
    findings = gathering.gather(replace(made, clips=made.clips[:1]), most=100)
    (found,) = findings.clips
    assert len(found.moments) == 100
    told = tuple(replace(each, frame=100 * n + each.frame) for n in range(10) for each in found.moments)
    write_page(tmp_path / "page.html", replace(findings, clips=(replace(found, moments=told),)))
    assert (tmp_path / "page.html").stat().st_size < 15e6


def test_many_frames_are_sampled_in_pairs(workplace, monkeypatch):
    folder, _ = workplace
    small = [picture for picture, _ in workshop.clip(4, "light", 5, width=128, height=72)]
    clip = Reel("take1", [small[i % 4] for i in range(300)])
    monkeypatch.setattr(gathering, "open_clip", lambda path: clip)
    made = Run.load(folder / "carry.json")
    found = gathering.gather(replace(made, clips=made.clips[:1]), most=20).clips[0]
    frames = [moment.frame for moment in found.moments]
    assert len(frames) == 20
    assert (frames[0], frames[-1]) == (1, 300)
    assert all(b - a == 1 for a, b in zip(frames[::2], frames[1::2], strict=True))
    assert found.flicker is not None


# --- figures ------------------------------------------------------------------------------------------------


def moment(frame, angle, luma=0.5, area=0.1):
    reading = SkinReading(angle, 0.2, 3.0, (0.3, luma, 0.7), area, (120, 126), 0.1, 0.0, 0.0)
    none = LimitShares(0, 0, 0)
    return gathering.Moment(frame, reading, reading, none, none)


def test_flicker_of_independent_scatter_is_its_standard_deviation():
    """The mean square of differences of independent values is twice their variance (von Neumann 1941)."""
    random = np.random.default_rng(4)
    angles, lumas, areas = (random.normal(0, s, 4000) for s in (0.5, 0.02, 0.004))
    moments = [
        moment(k, 123 + a, 0.5 + b, 0.1 + c) for k, (a, b, c) in enumerate(zip(angles, lumas, areas, strict=True))
    ]
    found = gathering.flicker(moments)
    assert found.angle == pytest.approx(0.5, rel=0.05)
    assert found.luma == pytest.approx(0.02, rel=0.05)
    assert found.area == pytest.approx(0.04, rel=0.05)


def test_flicker_looks_at_neighbours_only():
    assert gathering.flicker([moment(1, 120), moment(3, 130)]) is None
    assert gathering.flicker([moment(1, 120), moment(3, 130), moment(4, 130)]).angle == 0
    assert gathering.flicker([moment(1, 359), moment(2, 1)]).angle == pytest.approx(2 / math.sqrt(2))


def test_a_strip_draws_its_values_where_they_belong():
    drawn = strip("Hue", "°", [10, 11, 14], [Line("after", [120, 124, math.nan])], target=122, least_span=8)
    assert 'points="0,75 250,25"' in drawn
    assert 'y1="50"' in drawn
    assert ">126.0°<" in drawn
    assert ">118.0°<" in drawn
    assert "after from 120.0 to 124.0°; target 122.0°" in drawn
    assert strip("Hue", "°", [1, 2], [Line("after", [math.nan, math.nan])]) == ""


def test_the_worst_frame_counts_for_the_limits(workplace):
    made = Run.load(workplace[0] / "carry.json")
    found = gathering.gather(replace(made, clips=made.clips[:1]), most=2).clips[0]
    worst = replace(found.moments[1], limits_after=LimitShares(0.5, 0.4, 0.3))
    spoiled = replace(found, moments=(found.moments[0], worst))
    assert spoiled.worst_limits()[1] == LimitShares(0.5, 0.4, 0.3)
    warnings = gathering._warnings(spoiled, (), (), ())
    assert any("R 103" in text and "40.0%" in text for text in warnings)


def test_a_damaged_frame_is_named_and_the_rest_is_shown(workplace, monkeypatch):
    class Torn(Reel):
        def read(self, frame):
            if frame == 3:
                raise InputError("frame 3 is torn")
            return super().read(frame)

    monkeypatch.setattr(gathering, "open_clip", lambda path: Torn("take1", take("take1").clip.pictures * 3))
    made = Run.load(workplace[0] / "carry.json")
    found = gathering.gather(replace(made, clips=made.clips[:1])).clips[0]
    assert [moment.frame for moment in found.moments] == [1, 2, 4, 5, 6]
    assert [text for text in found.warnings if "torn" in text] == ["Frame 3: frame 3 is torn"]


# --- the verb and the run file ------------------------------------------------------------------------------


def test_a_graph_with_a_clip_makes_a_report(workplace, tmp_path):
    folder, _ = workplace
    made = Run.load(folder / "carry.json")
    People().adding(Person(118.0, 0.2, 0.5, 0.0, "Ada")).save(tmp_path / "p.json")
    done = run(
        "report", folder / "take1.json", "--clip", f"{made.path(made.clips[0].files)}@2", "-o", tmp_path / "page.html",
        "--person", "Ada", "--project", tmp_path / "p.json", "--title", "Planing", "--json",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Ada's approved skin" in unescape(text)
    assert "<h1>Planing</h1>" in text
    assert "shown: frame 2" in text
    assert json.loads(done.stdout)["clips"][0]["drift"]["angle"] > 0


def test_a_view_is_looked_through(workplace, tmp_path):
    """A view without colour: readings find nothing to hold on to but luma, pictures turn grey."""
    folder, _ = workplace
    (tmp_path / "grey.clf").write_text(
        '<?xml version="1.0"?><ProcessList id="grey" compCLFversion="3.0">'
        '<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">'
        "0.3 0.65 0.05 0.2126 0.7152 0.0722 0.2126 0.7152 0.0722</Array></Matrix></ProcessList>"
    )
    made = Run.load(folder / "carry.json")
    one = replace(made, clips=made.clips[:1], view=str(tmp_path / "grey.clf"))
    seen = gathering.gather(one, most=1).clips[0]
    plain = gathering.gather(replace(one, view=None), most=1).clips[0]
    assert seen.readings[2].ratio < 0.5 * plain.readings[2].ratio
    assert seen.hashes == plain.hashes


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["missing.json", "-o", "p.html"], 3, "missing.json"),
        (["{graph}", "-o", "p.html"], 2, "--clip"),
        (["{run}", "-o", "no/p.html"], 5, "no/p.html"),
        (["{run}", "-o", "p.html", "--view", "none.clf"], 3, "none.clf"),
        (["{run}", "-o", "p.html", "--view", "ocio:a/b"], 2, "three names"),
    ],
)
def test_wrong_use_is_one_clear_error(workplace, tmp_path, monkeypatch, words, code, message):
    folder, _ = workplace
    monkeypatch.chdir(tmp_path)
    done = run("report", *(word.format(graph=folder / "take1.json", run=folder / "carry.json") for word in words))
    assert done.exit_code == code, done.output
    assert message in done.output
    assert not (tmp_path / "p.html").exists()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ([], "begins"),
        ({"inkarnat_run": 1}, "must be a list"),
        ({"inkarnat_run": 1, "clips": []}, "1 to 1000 clips"),
        ({"inkarnat_run": 1, "clips": [{"name": "a"}]}, "lacks its files"),
        ({"inkarnat_run": 1, "clips": [{"name": "a", "files": "b", "grahp": "c"}]}, "Did you mean 'graph'"),
        ({"inkarnat_run": 1, "clips": [{"name": "a", "files": "b", "graph": 3}]}, "graph cannot be 3"),
        ({"inkarnat_run": 1, "clips": [{"name": "a", "files": "b", "graph": "c"}], "reference": "x"}, "no clip 'x'"),
        ({"inkarnat_run": 1, "clips": [{"name": "a", "files": "b", "graph": "c"}] * 2}, "same name"),
        ({"inkarnat_run": 1, "clips": [], "person": {"name": "A"}}, "angle must be a number"),
        ({"inkarnat_run": 1, "clips": [], "person": 3}, "figures in braces|printable"),
    ],
)
def test_damaged_run_files_are_one_clear_error(tmp_path, data, message):
    path = tmp_path / "run.json"
    path.write_text(json.dumps(data))
    with pytest.raises(RunError, match=message):
        Run.load(path)


def test_a_run_file_survives_moving_folders(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    clip = RunClip("take", "take.mov", "take.json", 3, "1-4", "edges", True, "abc", True)
    made = Run((clip,), "T", "take", Person(120, 0.2, 0.5, 0, "Ada"), "look.clf", tmp_path / "a")
    made.save(tmp_path / "b" / "run.json")
    again = Run.load(tmp_path / "b" / "run.json")
    assert again.path(again.clips[0].files).resolve() == (tmp_path / "a" / "take.mov").resolve()
    assert again.path(again.view).resolve() == (tmp_path / "a" / "look.clf").resolve()
    assert again.person == made.person
    assert replace(again.clips[0], files="", graph="") == replace(clip, files="", graph="")


def test_the_swatch_is_the_skin_itself(workplace, html):
    card = re.search(r'<li [^>]*data-name="take1".*?</li>', html, re.S)[0]
    target = re.search(r'<i style="background:(#\w{6})" title="target"></i>', card)[1]
    shown = [int(target[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    _, told = workplace
    reference = gathering.gather(Run.load(workplace[0] / "carry.json"), most=1).clips[0].target
    assert isinstance(reference, Skin)
    np.testing.assert_allclose(shown, reference.rgb(), atol=0.5 / 255 + 1e-6)
    assert told["clips"][0]["status"] == "holds"


# --- in a browser -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def chromium():
    path = browser.find()
    if path is None:
        pytest.skip("no Chromium here: apt-get install chromium")
    shown = browser.Browser(path)
    yield shown
    shown.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [400, 1600])
def test_everyone_can_read_it(workplace, chromium, tmp_path, width, scheme):
    """Contrast ≥ 4.5 (WCAG 2.2, 1.4.3), lines ≥ 3 (1.4.11), labels, headings, nothing wider than the window."""
    chromium.open(workplace[0] / "report.html", width, scheme=scheme)
    chromium.evaluate("document.querySelectorAll('details').forEach((d) => (d.open = true))")
    assert chromium.evaluate(AUDIT) == []
    assert chromium.requests() == []
    assert chromium.evaluate("matchMedia('(prefers-color-scheme: dark)').matches") == (scheme == "dark")
    ground = chromium.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (int(re.search(r"\d+", ground)[0]) < 60) == (scheme == "dark")


def test_the_wipe_moves_by_keyboard_and_by_pointer(workplace, chromium):
    chromium.open(workplace[0] / "report.html", 1000)
    chromium.evaluate("document.querySelector('.clip').open = true")
    at = "document.querySelector('.wipe').style.getPropertyValue('--at')"
    assert chromium.evaluate(at) == "50%"
    chromium.evaluate("document.querySelector('.wipe input').focus()")
    for _ in range(3):
        chromium.press("ArrowRight", 39)
    assert chromium.evaluate(at) == "53%"
    chromium.press("Home", 36)
    assert chromium.evaluate(at) == "0%"
    box = chromium.evaluate(
        "(() => {const s = document.querySelector('.stage'); s.scrollIntoView({block: 'center', behavior: 'instant'});"
        "const b = s.getBoundingClientRect(); return [b.left, b.top, b.width, b.height]})()"
    )
    left, top, width, height = box
    place = {"x": left + width * 0.25, "y": top + height / 2, "button": "left", "clickCount": 1}
    chromium.call("Input.dispatchMouseEvent", type="mousePressed", **place)
    chromium.call("Input.dispatchMouseEvent", type="mouseReleased", **place)
    assert chromium.evaluate(at) == "25%"
    assert chromium.evaluate("document.querySelector('.wipe input').getAttribute('aria-valuetext')") == "25 % before"


def test_the_wipe_shows_before_on_its_left_and_after_on_its_right(workplace, chromium):
    chromium.open(workplace[0] / "report.html", 1000)
    inset = chromium.evaluate("getComputedStyle(document.querySelector('.stage .before')).clipPath")
    assert re.fullmatch(r"inset\(0px calc\(50%\) 0px 0px\)|inset\(0px 50% 0px 0px\)", inset), inset
    order = chromium.evaluate(
        "[...document.querySelectorAll('.stage')[0].querySelectorAll('img')].map((i) => i.className)"
    )
    assert order == ["after", "before light", "before shot"]
    chosen = (
        "(() => {const s = document.querySelector('.wipe select'); s.value = 'shot';"
        "s.dispatchEvent(new Event('change'));"
        "return [...document.querySelectorAll('.stage')[0].querySelectorAll('.before')]"
        ".map((i) => getComputedStyle(i).visibility)})()"
    )
    assert chromium.evaluate(chosen) == ["hidden", "visible"]


def test_it_prints_with_everything_unfolded(workplace, chromium):
    chromium.open(workplace[0] / "report.html", 1000, media="print")
    hidden = chromium.evaluate("[...document.querySelectorAll('.wipe input')].every((i) => !i.checkVisibility())")
    assert hidden
    assert chromium.evaluate(
        "(() => {const [a, b] = document.querySelectorAll('.stage img');"
        "return Math.abs(a.getBoundingClientRect().left - b.getBoundingClientRect().left) > 100})()"
    )
    printed = chromium.pdf()
    assert printed.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) >= 5  # the overview and a page or more for each clip
    chromium.open(workplace[0] / "report.html", 1000)
    chromium.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert chromium.evaluate("document.querySelectorAll('details:not([open])').length") == 0
    chromium.evaluate("dispatchEvent(new Event('afterprint'))")
    assert chromium.evaluate("document.querySelectorAll('details[open]').length") == 0


def test_a_clip_is_reported_as_it_is_read(tmp_path):
    """What is said of a clip to `correct` is said to `carry` and `report` too, or other codes than those are judged."""
    folder = tmp_path
    first = take("take1")
    plate, other = write(first, folder), write(take("take2"), folder)
    words = ("--range", "full", "--matrix", "601")
    done = run("correct", plate, "--add", first.face(), *words, "--graph-out", folder / "g.json", "--json")
    assert done.exit_code == 0, done.output
    corrected = json.loads(done.stdout)
    done = run("report", folder / "g.json", "--clip", plate, "-o", folder / "page.html", *words, "--json")
    assert done.exit_code == 0, done.output
    reported = json.loads(done.stdout)["clips"][0]
    assert reported["drift"]["angle"] == pytest.approx(corrected["verdict"]["drift"]["angle"], abs=0.2)
    done = run(
        "carry",
        folder / "g.json",
        "--from",
        plate,
        "--to",
        other,
        "-o",
        folder / "out",
        *words,
        "--no-report",
        "--json",
    )
    assert done.exit_code == 0, done.output
    carried = json.loads(done.stdout)["clips"]
    made = json.loads((folder / "out" / "carry.json").read_text())
    assert [clip["read_as"] for clip in made["clips"]] == [{"standard": "601", "studio": False}] * 2
    assert Run.load(folder / "out" / "carry.json").clips[0].read_as == {"standard": "601", "studio": False}
    done = run("report", folder / "out" / "carry.json", "-o", folder / "all.html", "--json")
    told = {clip["name"]: clip["drift"]["angle"] for clip in json.loads(done.stdout)["clips"]}
    assert told == {clip["name"]: pytest.approx(clip["drift"]["angle"], abs=0.2) for clip in carried}
    bad = json.loads((folder / "out" / "carry.json").read_text())
    bad["clips"][0]["read_as"] = {"studio": "half"}
    with pytest.raises(RunError, match="studio' cannot be 'half'"):
        Run.from_dict(bad, folder)
