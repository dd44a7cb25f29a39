"""The desk's page in a browser without a window: mark, solve, look, save, render; by mouse and by keys alone."""

from __future__ import annotations

import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path
from statistics import median
from urllib.parse import urlsplit

import desk_notes
import numpy as np
import pytest

pytest.importorskip("starlette", reason="the desk's extra is not installed: pip install 'inkarnat[desk]'")
pytest.importorskip("uvicorn", reason="the desk's extra is not installed: pip install 'inkarnat[desk]'")
pytest.importorskip("selenium", reason="selenium is not installed")

from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.desk.folder import Folder
from inkarnat.host_adapters.desk.reel import Footage
from inkarnat.host_adapters.desk.server import Desk, Served
from inkarnat.host_adapters.detect.faces import available
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
if CHROMIUM is None or DRIVER is None:
    pytest.skip("chromium and chromedriver are not installed", allow_module_level=True)

pytestmark = pytest.mark.usefixtures("own_state_folder")

SIZES = [(1280, 720), (1600, 1000), (820, 1180), (400, 860), (640, 360)]
PATIENCE = 90


@pytest.fixture(scope="module")
def footage(tmp_path_factory):
    """A clip under a cast, another one of the same person, and where things are on the first frame."""
    folder = tmp_path_factory.mktemp("footage")
    cast = workshop.skin_cast(green=0.45, blue=0.12)
    places = {}
    for name, seed in (("planing.mkv", 5), ("caulking.mkv", 9)):
        with open_writer(folder / name) as writer:
            frames = workshop.clip(range(1, 4), "light", seed, cast=cast, width=480, height=270)
            for number, (picture, scene) in enumerate(frames, start=1):
                places.setdefault(name, scene.places)
                writer.write(number, picture)
    return folder, places["planing.mkv"]


@pytest.fixture(scope="module")
def browser():
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    try:
        driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    except Exception as error:
        pytest.skip(f"chromium does not start here: {type(error).__name__}")
    driver.set_script_timeout(PATIENCE)
    yield driver
    driver.quit()


@pytest.fixture
def desk(footage, tmp_path, browser):
    """A served desk with the page open."""
    served = Served(Desk(Folder(footage[0], tmp_path), "planing.mkv"))
    thread = threading.Thread(target=served.run, daemon=True)
    thread.start()
    resize(browser, 1280, 720)
    browser.get_log("browser")
    browser.get(served.address)
    until(browser, lambda: painted(browser))
    yield served
    severe = [entry["message"] for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]
    complaints = [message for message in severe if "status of 400" not in message]  # refusals that a test asked for
    browser.get("about:blank")
    served.stop()
    thread.join(20)
    browser.get_log("browser")
    assert not complaints


def resize(browser, width, height):
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def until(browser, ready):
    return WebDriverWait(browser, PATIENCE, 0.05).until(lambda _: ready())


def press(browser, css):
    """Click on what the page may be drawing anew just now."""

    def pressed():
        try:
            element(browser, css).click()
        except StaleElementReferenceException:
            return False
        return True

    until(browser, pressed)


def painted(browser):
    return browser.execute_script("return document.getElementById('stage').dataset.painted")


def angle(browser):
    """The angle that the page shows, once the reading of the present state is there."""
    return float(browser.execute_script("return document.getElementById('evidence').dataset.angle") or "nan")


def element(browser, selector):
    return browser.find_element(By.CSS_SELECTOR, selector)


def settled(browser, served):
    """Wait until the newest state has been painted and read."""
    until(browser, lambda: painted(browser) == str(served.desk.session.history.revision))
    last = None
    for _ in range(40):
        now = (element(browser, "#sentence").text, angle(browser))
        if now == last:
            return
        last = now
        time.sleep(0.25)


def picture_place(browser):
    """Where the picture lies in the window: left, top, width, height."""
    box = element(browser, "#stage").rect
    scale = min(box["width"] / 480, box["height"] / 270)
    width, height = 480 * scale, 270 * scale
    return box["x"] + (box["width"] - width) / 2, box["y"] + (box["height"] - height) / 2, width, height


def drag(browser, first, last, *between):
    """Drag over the picture, in its normalised coordinates."""
    left, top, width, height = picture_place(browser)
    chain = ActionChains(browser, duration=20)
    for index, (x, y) in enumerate((first, *between, last)):
        chain.w3c_actions.pointer_action.move_to_location(round(left + x * width), round(top + y * height))
        if index == 0:
            chain.w3c_actions.pointer_action.pointer_down()
    chain.w3c_actions.pointer_action.pointer_up()
    chain.perform()


def on_disk(path):
    with open_clip(path) as clip:
        return [clip.read(frame) for frame in clip.frames]


def test_mark_solve_save_render_gives_the_bits_of_the_command_line(desk, browser, footage, tmp_path, same_bits):
    places, session = footage[1], desk.desk.session
    (cx, cy), before = places["forehead"], None
    drag(browser, (cx - 0.03, cy - 0.03), (cx + 0.03, cy + 0.02))
    until(browser, lambda: session.state.is_taught(""))
    assert [mark.sample.kind for mark in session.state.marks] == ["box"]
    settled(browser, desk)
    until(browser, lambda: angle(browser) == angle(browser))  # the first reading may have kernels to compile
    before = angle(browser)
    assert abs(before - 123) > 5

    element(browser, "#step-steer-head").click()
    element(browser, "#solve-steer").click()
    until(browser, lambda: session.state.node("steer").angle != 0)
    until(browser, lambda: abs(angle(browser) - 123) < 0.5)
    until(browser, lambda: "on the line used here" in element(browser, "#sentence").text)

    element(browser, "#save-open").click()
    element(browser, "#save-graph").click()
    until(browser, lambda: (tmp_path / "planing.json").is_file())
    element(browser, "#save-dialog .close").click()

    element(browser, "#render-open").click()
    output = element(browser, "#render-output")
    output.clear()
    output.send_keys("by-desk.%04d.exr")
    element(browser, "#render-start").click()
    until(browser, lambda: desk.desk.render is not None and not desk.desk.render.running)
    assert desk.desk.render.state == "done", desk.desk.render.message
    until(browser, lambda: "3 frames" in element(browser, "#render-words").text)

    graph, plate, result = tmp_path / "planing.json", footage[0] / "planing.mkv", tmp_path / "by-command.%04d.exr"
    words = ["render", str(graph), "--in", f"plate={plate}", "--out", f"result={result}", "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "inkarnat.host_adapters.commands.cli", *words],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    for mine, theirs in zip(on_disk(tmp_path / "by-desk.%04d.exr"), on_disk(result), strict=True):
        same_bits(mine, theirs)


def test_the_canvas_shows_the_bytes_of_the_picture(desk, browser):
    """What the page shows at rest is the 8-bit picture to the byte: nothing on the way compresses or manages it."""
    script = """
    const done = arguments[0];
    fetch(new URL("api/frame?frame=1&view=result&as=png", location.href)).then((a) => a.blob())
      .then((blob) => createImageBitmap(blob, {colorSpaceConversion: "none", premultiplyAlpha: "none"})).then((map) => {
      const sheet = new OffscreenCanvas(480, 270), pen = sheet.getContext("2d", {alpha: false});
      pen.drawImage(map, 0, 0);
      done([...pen.getImageData(100, 100, 4, 1).data]);
    });"""
    shown = np.array(browser.execute_async_script(script)).reshape(4, 4)[:, :3]
    truth = np.clip(desk.desk.session.picture(1, "result")[100, 100:104], 0, 1) * 255
    assert np.abs(shown - truth).max() <= 0.5 + 1e-3


def test_everything_by_keys_alone(desk, browser):
    session = desk.desk.session
    body = element(browser, "body")
    body.send_keys("p", "a", "i")
    assert browser.switch_to.active_element.get_attribute("id") == "stage"
    stage = element(browser, "#stage")
    stage.send_keys(Keys.ARROW_UP * 8, Keys.ENTER)
    until(browser, lambda: len(session.state.marks) == 1)
    assert session.state.marks[0].sample.kind == "point"
    until(browser, lambda: session.state.is_taught(""))
    stage.send_keys("b", "x", Keys.ARROW_LEFT * 40, Keys.ARROW_DOWN * 40, Keys.ENTER)
    stage.send_keys(Keys.ARROW_RIGHT * 10, Keys.ARROW_DOWN * 5, Keys.ENTER)
    until(browser, lambda: len(session.state.marks) == 2)
    assert (session.state.marks[1].purpose, session.state.marks[1].sample.kind) == ("keep out", "box")
    body.send_keys("S")
    until(browser, lambda: session.state.node("steer").angle != 0)
    body.send_keys(Keys.CONTROL + "z")
    until(browser, lambda: session.state.node("steer").angle == 0)
    body.send_keys(Keys.CONTROL + Keys.SHIFT + "z")
    until(browser, lambda: session.state.node("steer").angle != 0)
    body.send_keys("5")
    assert element(browser, "#views [aria-checked=true]").text == "Matte"
    body.send_keys(".")
    until(browser, lambda: element(browser, "#frame").get_attribute("value") == "2")
    body.send_keys("?")
    assert element(browser, "#keys-dialog").is_displayed()
    element(browser, "#keys-on").click()
    element(browser, "#keys-dialog .close").click()
    body.send_keys("1")
    body.send_keys("k")
    assert element(browser, "#tools [aria-checked=true]").text == "Box"


def test_a_result_is_saved_and_written_by_keys_alone(desk, browser, tmp_path):
    session, body = desk.desk.session, element(browser, "body")
    body.send_keys("p", "a", "i")
    element(browser, "#stage").send_keys(Keys.ARROW_UP * 8, Keys.ENTER)
    until(browser, lambda: session.state.is_taught(""))
    body.send_keys("S")
    until(browser, lambda: session.state.node("steer").angle != 0)
    body.send_keys(Keys.CONTROL + "s")
    until(browser, lambda: element(browser, "#save-dialog").is_displayed())
    assert browser.switch_to.active_element.get_attribute("id") == "graph-name"
    ActionChains(browser).send_keys(Keys.TAB, Keys.ENTER).perform()
    until(browser, lambda: (tmp_path / "planing.json").is_file())
    ActionChains(browser).send_keys(Keys.ESCAPE).perform()
    until(browser, lambda: not element(browser, "#save-dialog").is_displayed())
    body.send_keys("r")
    until(browser, lambda: element(browser, "#render-dialog").is_displayed())
    browser.switch_to.active_element.send_keys(Keys.CONTROL + "a")
    ActionChains(browser).send_keys("by-keys.%04d.exr", *[Keys.TAB] * 4, Keys.ENTER).perform()
    until(browser, lambda: desk.desk.render is not None and not desk.desk.render.running)
    assert desk.desk.render.state == "done", desk.desk.render.message
    assert len(list(tmp_path.glob("by-keys.*.exr"))) == 3


def test_stroke_point_and_alt_for_what_stays_out(desk, browser, footage):
    session, places = desk.desk.session, footage[1]
    element(browser, "#tools [data-id=stroke]").click()
    drag(browser, places["stroke"][0], places["stroke"][-1], *places["stroke"][1:-1])
    until(browser, lambda: len(session.state.marks) == 1)
    assert session.state.marks[0].sample.kind == "stroke"
    element(browser, "#tools [data-id=point]").click()
    ActionChains(browser).key_down(Keys.ALT).perform()
    drag(browser, (0.1, 0.3), (0.1, 0.3))
    ActionChains(browser).key_up(Keys.ALT).perform()
    until(browser, lambda: len(session.state.marks) == 2)
    assert (session.state.marks[1].purpose, session.state.marks[1].sample.kind) == ("keep out", "point")
    until(browser, lambda: len(browser.find_elements(By.CSS_SELECTOR, "#marks li")) == 2)
    press(browser, "#marks li:last-child button:last-child")
    until(browser, lambda: len(session.state.marks) == 1)


def test_controls_take_numbers_step_keys_and_reset(desk, browser):
    session = desk.desk.session
    element(browser, "#step-steer-head").click()
    box = element(browser, 'fieldset[data-id="steer"] [data-name="angle"]')
    entry, back = box.find_element(By.CSS_SELECTOR, "input"), box.find_element(By.CSS_SELECTOR, ".reset")
    assert not back.is_displayed()
    entry.clear()
    entry.send_keys("12.5", Keys.TAB)
    until(browser, lambda: session.state.node("steer").angle == 12.5)
    entry.send_keys(Keys.ARROW_UP)
    until(browser, lambda: session.state.node("steer").angle == 13)
    entry.send_keys(Keys.SHIFT + Keys.ARROW_DOWN)
    until(browser, lambda: session.state.node("steer").angle == 8)
    entry.clear()
    entry.send_keys("999", Keys.TAB)
    until(
        browser,
        lambda: "Turn takes a number -180 to 180°, not 999" in box.find_element(By.CSS_SELECTOR, ".fault").text,
    )
    assert not element(browser, "#message").is_displayed()
    assert session.state.node("steer").angle == 8
    until(browser, lambda: entry.get_attribute("value") == "8")
    back.click()
    until(browser, lambda: session.state.node("steer").angle == 0)


def test_controls_show_what_people_type_and_keep_what_graphs_hold(desk, browser):
    """mired of 6504 K daylight is 153.75, so +30 is neutral for 1e6 / 123.75 = 8080 K; 2 % are 18 codes of 10 bits."""
    session = desk.desk.session
    element(browser, "#step-light-head").click()

    def typed(id, name, text):
        field = f'fieldset[data-id="{id}"] [data-name="{name}"]'
        browser.execute_script(
            """const input = document.querySelector(arguments[0]);
            input.value = arguments[1]; input.dispatchEvent(new Event("change", {bubbles: true}));""",
            f"{field} input",
            text,
        )
        said = "return document.querySelector(arguments[0])?.textContent ?? ''"
        return lambda part: browser.execute_script(said, f"{field} {part}")

    black = typed("tone", "black", "2")
    until(browser, lambda: session.state.node("tone").black == -0.02)
    until(browser, lambda: black(".aside") == "+18 codes")
    assert black(".ends") == "darkerbrighter"
    typed("tone", "black", "-18c")
    until(browser, lambda: session.state.node("tone").black == pytest.approx(18 / 876))
    typed("tone", "black", "much")
    until(browser, lambda: "Black takes a number -100 to 100 %" in black(".fault"))
    typed("tone", "white", "-10")
    until(browser, lambda: session.state.node("tone").white == pytest.approx(1.1))
    warm = typed("balance", "temperature", "30")
    until(browser, lambda: session.state.node("balance").temperature == 30)
    until(browser, lambda: warm(".aside") == "neutral for 8080 K")
    typed("balance", "tint", "5")
    until(browser, lambda: session.state.node("balance").tint == pytest.approx(0.005))
    lines = session.clip.height
    edge = typed("soften", "position", "4px")
    until(browser, lambda: session.state.node("soften").position == pytest.approx(4000 / lines, rel=1e-3))
    until(browser, lambda: edge(".aside") == "4 px")


def test_every_declared_control_is_there(desk, browser):
    shown = browser.execute_script(
        "return [...document.querySelectorAll('fieldset[data-id] .control')]"
        ".map((c) => c.closest('fieldset').dataset.id + '.' + c.dataset.name)"
    )
    session = desk.desk.session
    nodes = {step.id: step.node for step in session.state.graph.steps} | {"compare": session.state.node("compare")}
    expected = {f"{id}.{name}" for id, node in nodes.items() for name in node.params()}
    assert expected <= set(shown)


def test_the_edge_of_the_split_can_be_dragged_and_stepped(desk, browser):
    element(browser, "#views [data-id=split]").click()
    edge = element(browser, "#edge")
    until(browser, lambda: edge.is_displayed() and edge.get_attribute("aria-valuenow") == "50")
    ActionChains(browser).drag_and_drop_by_offset(edge, round(picture_place(browser)[2] * 0.25), 0).perform()
    assert abs(int(edge.get_attribute("aria-valuenow")) - 75) <= 2
    edge.send_keys(Keys.HOME, Keys.ARROW_RIGHT)
    assert edge.get_attribute("aria-valuenow") == "1"


def test_a_reopened_page_is_as_it_was_left(desk, browser, footage, tmp_path):
    session = desk.desk.session
    element(browser, "#tools [data-id=point]").click()
    drag(browser, footage[1]["cheek"], footage[1]["cheek"])
    until(browser, lambda: session.state.is_taught(""))
    session.keeper.flush()
    again = Desk(Folder(footage[0], tmp_path), "planing.mkv")
    assert again.session.state == session.state
    again.close()
    browser.refresh()
    until(browser, lambda: painted(browser))
    assert len(browser.find_elements(By.CSS_SELECTOR, "#marks li")) == 1
    assert not element(browser, "#undo").get_attribute("disabled")


def test_clips_are_listed_and_carried_to(desk, browser, footage):
    element(browser, "#tools [data-id=point]").click()
    drag(browser, footage[1]["cheek"], footage[1]["cheek"])
    until(browser, lambda: desk.desk.session.state.is_taught(""))
    element(browser, "#clips-open").click()
    until(browser, lambda: browser.find_elements(By.CSS_SELECTOR, "#clips li"))
    element(browser, "#clips input[value='caulking.mkv']").click()
    element(browser, "#carry").click()
    until(browser, lambda: browser.find_elements(By.CSS_SELECTOR, "#clips li[data-name='caulking.mkv'][data-grade]"))
    assert "The skin" in element(browser, "#clips li[data-name='caulking.mkv'] .status").text
    press(browser, "#clips li[data-name='caulking.mkv'] .shot-do button:last-child")
    until(browser, lambda: "caulking.mkv, frame 2" in element(browser, "#beside figcaption").text)
    assert element(browser, "#stage").rect["width"] < 0.6 * element(browser, "#pictures").rect["width"]
    element(browser, "#beside-close").click()
    press(browser, "#clips li[data-name='caulking.mkv'] .shot-do button")
    until(browser, lambda: element(browser, "#clip-name").text == "caulking.mkv")


def test_shots_are_gone_through_by_keys(desk, browser):
    body = element(browser, "body")
    body.send_keys(Keys.PAGE_UP)
    until(browser, lambda: element(browser, "#clip-name").text == "caulking.mkv")
    until(browser, lambda: painted(browser))
    body.send_keys("c")
    assert element(browser, "#shots").is_displayed()
    assert not element(browser, "#sheet").is_displayed()
    body.send_keys(Keys.PAGE_DOWN)
    until(browser, lambda: element(browser, "#clip-name").text == "planing.mkv")
    body.send_keys("c")
    assert element(browser, "#sheet").is_displayed()


def run_verb(clip, results):
    """Start a desk in a process of its own and return it with its address."""
    words = [sys.executable, "-u", "-m", "inkarnat.host_adapters.commands.cli", "desk", str(clip), "--no-browser"]
    running = subprocess.Popen([*words, "--results", str(results)], stdout=subprocess.PIPE, text=True)
    return running, running.stdout.readline().split()[-1]


def shown_turn(browser):
    return browser.execute_script(
        """return document.querySelector('fieldset[data-id="steer"] [data-name="angle"] input').value"""
    )


def set_turn(browser, value):
    browser.execute_script(
        """const input = document.querySelector('fieldset[data-id="steer"] [data-name="angle"] input');
        input.value = arguments[0]; input.dispatchEvent(new Event("change", {bubbles: true}));""",
        value,
    )


def test_a_dead_desk_is_seen_and_a_restarted_one_goes_on_in_the_same_tab(browser, footage, tmp_path):
    clip = footage[0] / "planing.mkv"
    resize(browser, 1280, 720)
    running, address = run_verb(clip, tmp_path)
    try:
        browser.get(address)
        until(browser, lambda: painted(browser))
        set_turn(browser, 6)
        until(browser, lambda: element(browser, "#undo").is_enabled())
        desk_notes.rest(tmp_path, clip.name, 6)
        running.kill()
        running.wait()
        until(browser, lambda: element(browser, "#away").is_displayed())
        assert "frame 1" in element(browser, "#away-words").text
        assert element(browser, "#stale").is_displayed()
        element(browser, "body").send_keys(".")
        time.sleep(0.3)
        assert element(browser, "#frame-number").get_attribute("value") == "1"
        running, again = run_verb(clip, tmp_path)
        assert urlsplit(again).netloc == urlsplit(address).netloc
        until(browser, lambda: not element(browser, "#away").is_displayed())
        assert shown_turn(browser) == "6"
        set_turn(browser, 8)
        element(browser, "#undo").click()
        until(browser, lambda: shown_turn(browser) == "6")
        element(browser, "#undo").click()
        until(browser, lambda: shown_turn(browser) == "0")
    finally:
        running.kill()
        running.communicate()
        browser.get_log("browser")


def test_two_pages_show_one_truth(desk, browser):
    first = browser.current_window_handle
    browser.switch_to.new_window("tab")
    second = browser.current_window_handle
    try:
        browser.get(desk.address)
        until(browser, lambda: painted(browser))
        browser.execute_script(
            """document.addEventListener("painted", () => { window.seen ??= Date.now(); });
            window.seen = undefined;"""
        )
        browser.switch_to.window(first)
        began = browser.execute_script("return Date.now()")
        set_turn(browser, 11)
        browser.switch_to.window(second)
        until(browser, lambda: shown_turn(browser) == "11")
        until(browser, lambda: browser.execute_script("return window.seen"))
        assert browser.execute_script("return window.seen") - began < 5000
    finally:
        browser.close()
        browser.switch_to.window(first)


def test_two_desks_live_side_by_side(desk, browser, footage, tmp_path_factory):
    first, folder = browser.current_window_handle, tmp_path_factory.mktemp("beside")
    served = Served(Desk(Folder(footage[0], folder, Footage(space="hlg")), "caulking.mkv"))
    thread = threading.Thread(target=served.run, daemon=True)
    thread.start()
    browser.switch_to.new_window("tab")
    try:
        browser.get(served.address)
        until(browser, lambda: painted(browser))
        until(browser, lambda: "from hlg:bt2020" in element(browser, "#shown-open").text)
        set_turn(browser, 3)
        until(browser, lambda: served.desk.session.state.node("steer").angle == 3)
        browser.switch_to.window(first)
        set_turn(browser, 4)
        until(browser, lambda: desk.desk.session.state.node("steer").angle == 4)
        assert served.desk.session.state.node("steer").angle == 3
    finally:
        browser.switch_to.window(browser.window_handles[-1])
        browser.close()
        browser.switch_to.window(first)
        served.stop()
        thread.join(20)


def hold(browser, css, *offsets):
    """Drag a handle of a scope by offsets in pixels, one after another."""
    chain = ActionChains(browser, duration=20).click_and_hold(element(browser, css))
    for across, down in offsets:
        chain = chain.move_by_offset(across, down)
    chain.release().perform()


def test_the_ring_of_the_skin_and_its_line_are_dragged(desk, browser, footage):
    session, (cx, cy) = desk.desk.session, footage[1]["forehead"]
    drag(browser, (cx - 0.03, cy - 0.03), (cx + 0.03, cy + 0.02))
    until(browser, lambda: session.state.is_taught(""))
    settled(browser, desk)
    before = angle(browser)
    until(browser, lambda: element(browser, "#ring").is_displayed())
    hold(browser, "#ring", (4, -4), (4, -4))
    until(browser, lambda: session.state.node("steer").angle != 0)
    settled(browser, desk)
    turned = session.state.node("steer")
    assert turned.saturation > 1
    assert angle(browser) == pytest.approx(before + turned.angle, abs=1.5)
    undo = element(browser, "#undo")
    undo.click()
    until(browser, lambda: session.state.node("steer").angle == 0)
    settled(browser, desk)
    before = angle(browser)
    hold(browser, "#spoke", (-4, 0), (-4, 0))
    until(browser, lambda: session.state.people[0].target.bias > 0)
    settled(browser, desk)
    assert angle(browser) == pytest.approx(before + session.state.people[0].target.bias, abs=0.5)
    element(browser, "#ring").send_keys(Keys.ARROW_LEFT, Keys.ARROW_UP)
    now = session.state.node("steer").angle
    until(browser, lambda: session.state.node("steer").saturation == pytest.approx(1.01))
    assert session.state.node("steer").angle >= now


def lit(browser):
    """Return the mean of the middle of the stage as it is painted, 0 to 255."""
    return browser.execute_script(
        """const canvas = document.getElementById("picture"), pen = canvas.getContext("2d");
        const data = pen.getImageData(canvas.width / 4, canvas.height / 4, canvas.width / 2, canvas.height / 2).data;
        let sum = 0; for (let i = 0; i < data.length; i += 4) sum += data[i] + data[i + 1] + data[i + 2];
        return sum / (data.length / 4) / 3;"""
    )


def test_a_region_drawn_on_the_plot_shows_in_the_picture_by_hand_and_by_keys(desk, browser):
    until(browser, lambda: element(browser, "#ring").is_displayed())
    whole = lit(browser)
    pane = element(browser, "#vectorscope")
    chain = ActionChains(browser, duration=20).move_to_element_with_offset(pane, 60, 40).click_and_hold()
    for across, down in ((0, 30), (30, 0), (0, -30), (-20, 0)):
        chain = chain.move_by_offset(across, down)
    chain.release().perform()
    assert element(browser, "#scope-clear").is_displayed()
    until(browser, lambda: lit(browser) < 0.6 * whole)
    element(browser, "body").send_keys(Keys.ESCAPE)
    until(browser, lambda: abs(lit(browser) - whole) < 2)
    assert not element(browser, "#scope-clear").is_displayed()
    browser.execute_script("document.getElementById('vectorscope').focus()")
    pane.send_keys(Keys.ARROW_RIGHT * 20, Keys.ENTER, Keys.ARROW_RIGHT * 8, Keys.ARROW_DOWN * 8, Keys.ENTER)
    until(browser, lambda: lit(browser) < 0.6 * whole)
    pane.send_keys(Keys.ESCAPE)
    until(browser, lambda: abs(lit(browser) - whole) < 2)


def test_the_darkest_level_is_dragged_on_the_waveform(desk, browser):
    session = desk.desk.session
    element(browser, "#scope-which [data-id=waveform]").click()
    element(browser, "#scope-of").click()
    until(browser, lambda: element(browser, "#waveform").get_attribute("data-of") == "all")
    until(browser, lambda: element(browser, "#darkest").is_displayed())
    low = session.plot("waveform", 1, "", (300, 200), keyed=False)[1]["ends"]
    hold(browser, "#darkest", (0, -6), (0, -6))
    until(browser, lambda: session.state.node("tone").black != 0)
    settled(browser, desk)
    lifted = session.plot("waveform", 1, "", (300, 200), keyed=False)[1]["ends"]
    assert lifted[0] > low[0] + 0.02
    assert lifted[1] == pytest.approx(low[1], abs=0.01)


def test_a_shape_is_drawn_moved_and_removed(desk, browser):
    session = desk.desk.session
    element(browser, "#tools [data-id=shape]").click()
    drag(browser, (0.3, 0.2), (0.6, 0.7), (0.4, 0.4))
    until(browser, lambda: "in1" in session.state.graph.by_id)
    shape = session.state.node("in1")
    assert shape.centre == pytest.approx((0.45, 0.45), abs=0.01)
    assert shape.height == pytest.approx(0.5, abs=0.01)
    settled(browser, desk)
    drag(browser, (0.45, 0.45), (0.55, 0.5), (0.5, 0.48))
    until(browser, lambda: session.state.node("in1").centre[0] > 0.53)
    settled(browser, desk)
    element(browser, "#step-matte-head").click()
    browser.execute_script(
        "[...document.querySelectorAll('#step-matte button')].find((b) => b.textContent === 'Remove keep in 1').click()"
    )
    until(browser, lambda: "in1" not in session.state.graph.by_id)


def test_a_polygon_is_clicked_corner_by_corner_and_its_corners_are_dragged(desk, browser):
    session = desk.desk.session
    element(browser, "#tools [data-id=shape]").click()
    element(browser, "#forms [data-id=polygon]").click()
    corners = ((0.4, 0.2), (0.7, 0.2), (0.7, 0.8), (0.4, 0.8))
    for corner in (*corners, corners[0]):
        drag(browser, corner, corner)
    until(browser, lambda: "in1" in session.state.graph.by_id)
    assert np.allclose(session.state.node("in1").points, corners, atol=0.005)
    settled(browser, desk)
    drag(browser, corners[0], (0.3, 0.1))
    until(browser, lambda: session.state.node("in1").points[0][0] < 0.32)
    settled(browser, desk)
    drag(browser, (0.7, 0.5), (0.8, 0.5))
    until(browser, lambda: len(session.state.node("in1").points) == 5)
    assert session.state.node("in1").points[2] == pytest.approx((0.8, 0.5), abs=0.01)
    settled(browser, desk)
    ActionChains(browser).key_down(Keys.ALT).perform()
    drag(browser, (0.8, 0.5), (0.8, 0.5))
    ActionChains(browser).key_up(Keys.ALT).perform()
    until(browser, lambda: len(session.state.node("in1").points) == 4)


def test_a_shape_is_drawn_reshaped_and_taken_out_by_keys(desk, browser):
    session = desk.desk.session
    element(browser, "body").send_keys("d", "x", "i")
    stage = element(browser, "#stage")
    stage.send_keys(Keys.ENTER, Keys.ARROW_RIGHT * 20, Keys.ARROW_DOWN * 20, Keys.ENTER)
    until(browser, lambda: "out1" in session.state.graph.by_id)
    drawn = session.state.node("out1")
    settled(browser, desk)
    stage.send_keys("]", Keys.ARROW_RIGHT)
    until(browser, lambda: session.state.node("out1").centre[0] > drawn.centre[0])
    assert "keep out 1: move" in element(browser, "#stage-help").text
    stage.send_keys("]", Keys.SHIFT + Keys.ARROW_RIGHT + Keys.SHIFT)
    until(browser, lambda: session.state.node("out1").width > drawn.width)
    stage.send_keys(Keys.DELETE)
    until(browser, lambda: "out1" not in session.state.graph.by_id)


def keyframes(browser):
    return browser.execute_script(
        "return [...document.querySelectorAll('#keyframes button')].map((item) => Number(item.dataset.frame))"
    )


def on_last_keyframe(browser, key):
    browser.execute_script("[...document.querySelectorAll('#keyframes button')].at(-1).focus()")
    ActionChains(browser).send_keys(key).perform()


def go_to(browser, frame):
    browser.execute_script(
        """const input = document.getElementById("frame-number");
        input.value = arguments[0]; input.dispatchEvent(new Event("change"));""",
        frame,
    )


def test_keyframes_are_set_moved_and_removed_on_the_timeline(desk, browser):
    session = desk.desk.session
    key = 'fieldset[data-id="steer"] [data-name="angle"] .key'
    element(browser, "#step-steer-head").click()
    set_turn(browser, 4)
    until(browser, lambda: session.state.node("steer").angle == 4)
    browser.execute_script(f"""document.querySelector('{key}').click()""")
    until(browser, lambda: keyframes(browser) == [1])
    go_to(browser, 3)
    set_turn(browser, 8)
    until(browser, lambda: keyframes(browser) == [1, 3])
    go_to(browser, 2)
    until(browser, lambda: shown_turn(browser) == "6")
    way = element(browser, 'fieldset[data-id="steer"] [data-name="angle"] .between select')
    assert [option.text for option in way.find_elements(By.TAG_NAME, "option")] == ["straight", "smooth"]
    way.send_keys("sm")
    until(browser, lambda: dict(session.state.graph.by_id["steer"].keyed)["angle"].between == "smooth")
    on_last_keyframe(browser, Keys.ARROW_LEFT)
    until(browser, lambda: keyframes(browser) == [1, 2])
    settled(browser, desk)
    wide = element(browser, "#keyframes").rect["width"]
    last = browser.find_elements(By.CSS_SELECTOR, "#keyframes button")[-1]
    ActionChains(browser).drag_and_drop_by_offset(last, round(wide / 2), 0).perform()
    until(browser, lambda: keyframes(browser) == [1, 3])
    on_last_keyframe(browser, Keys.DELETE)
    until(browser, lambda: keyframes(browser) == [1])
    element(browser, "#undo").click()
    until(browser, lambda: keyframes(browser) == [1, 3])


def test_what_is_by_hand_is_marked_and_goes_back_to_solved(desk, browser, footage):
    session, (cx, cy) = desk.desk.session, footage[1]["forehead"]
    drag(browser, (cx - 0.03, cy - 0.03), (cx + 0.03, cy + 0.02))
    until(browser, lambda: session.state.is_taught(""))
    element(browser, "#step-steer-head").click()
    element(browser, "#solve-steer").click()
    until(browser, lambda: session.state.node("steer").angle != 0)
    settled(browser, desk)
    solved = session.state.node("steer").angle
    set_turn(browser, round(solved + 1.5, 2))
    turn = 'fieldset[data-id="steer"] [data-name="angle"]'
    until(browser, lambda: element(browser, f"{turn} .hand").text == "by hand +1.5")
    element(browser, "#solve-steer").click()
    settled(browser, desk)
    assert session.state.node("steer").angle == pytest.approx(solved + 1.5, abs=0.02)
    back = element(browser, f"{turn} .reset")
    assert "back to solved" in back.get_attribute("aria-label")
    back.click()
    until(browser, lambda: session.state.node("steer").angle == pytest.approx(solved, abs=0.02))
    until(browser, lambda: not element(browser, f"{turn} .hand").is_displayed())
    element(browser, "#step-key-head").click()
    element(browser, "#freeze-key").click()
    until(browser, lambda: session.as_dict()["frozen"] == [""])


def test_flicker_is_measured_and_gone_through(desk, browser):
    session = desk.desk.session
    element(browser, "body").send_keys("q")
    until(browser, lambda: session.flicker is not None)
    until(browser, lambda: "±" in element(browser, "#flicker").text)
    set_turn(browser, 2)
    until(browser, lambda: "before" in element(browser, "#flicker").text)


def test_a_held_key_shows_another_view_only_as_long(desk, browser):
    chosen = "return document.querySelector('#views [aria-checked=true]').dataset.id"
    ActionChains(browser).key_down("2").pause(0.6).perform()
    assert browser.execute_script(chosen) == "original"
    ActionChains(browser).key_up("2").perform()
    assert browser.execute_script(chosen) == "result"


def test_the_page_plays_and_stops(desk, browser):
    element(browser, "#play").click()
    until(browser, lambda: browser.execute_script("return document.getElementById('stage').dataset.speed"))
    assert element(browser, "#play").get_attribute("aria-pressed") == "true"
    element(browser, "#play").click()
    assert element(browser, "#play").get_attribute("aria-pressed") == "false"


AUDIT = (Path(__file__).parent / "audit.js").read_text(encoding="utf-8").partition("\n")[2]


@pytest.mark.parametrize("size", SIZES)
def test_it_fits_and_can_be_read_at_usual_sizes(desk, browser, size):
    """The audit finds no fault in any step: contrast, names, borders, headings; no sideways scrolling."""
    resize(browser, *size)
    for group in ("light", "balance", "key", "matte", "steer", "compare"):
        browser.execute_script(f"document.getElementById('step-{group}-head').click()")
        assert browser.execute_script(f"return {AUDIT}") == []
        browser.execute_script(f"document.getElementById('step-{group}-head').click()")
    wide = browser.execute_script("return [document.documentElement.scrollWidth, innerWidth]")
    assert wide[0] <= wide[1]
    assert element(browser, "#stage").rect["height"] > 0.4 * min(size)
    assert element(browser, "#stage").rect["width"] > 0.7 * size[0]
    if size == (1280, 720):
        shown = picture_place(browser)
        assert shown[2] * shown[3] >= 0.55 * 1280 * 720
    if size[0] > 1000:
        assert browser.execute_script("return document.documentElement.scrollHeight <= innerHeight")


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080)])
def test_the_whole_verdict_can_be_read(desk, browser, size):
    """A status that is cut off says half: nothing has been marked, so the sentence is one of the longest."""
    resize(browser, *size)
    settled(browser, desk)
    sentence = element(browser, "#sentence")
    assert sentence.text.startswith("not judged: ")
    assert sentence.text.endswith("solve again.")
    fits = "const e = document.getElementById('sentence'); return e.scrollHeight <= e.clientHeight + 1"
    assert browser.execute_script(fits)
    below = element(browser, "#under").rect
    frame = element(browser, "#evidence").rect
    assert below["y"] + below["height"] <= frame["y"] + frame["height"]


def test_one_press_leads_from_opening_to_a_verdict(desk, browser):
    if not available():
        pytest.skip("OpenCV is not installed")
    settled(browser, desk)
    next(b for b in browser.find_elements(By.TAG_NAME, "button") if b.text == "Solve all").click()
    until(browser, lambda: element(browser, "#sentence").text.startswith("holds: "))
    assert "1 face, learned" in element(browser, "#step-key-head").text
    assert angle(browser) == pytest.approx(123.0, abs=0.5)


def test_every_control_has_a_name_and_focus_goes_from_top_to_bottom(desk, browser):
    """Names: WCAG 2.2, success criterion 4.1.2; order of focus: 2.4.3."""
    nameless = browser.execute_script(
        "return [...document.querySelectorAll('button, input, select, textarea, [role=slider]')].filter((e) =>"
        " !(e.getAttribute('aria-label') || e.textContent.trim() || e.labels?.length)).map((e) => e.outerHTML)"
    )
    assert nameless == []
    assert browser.execute_script("return [...document.querySelectorAll('[tabindex]')].every((e) => e.tabIndex <= 0)")
    ids = browser.execute_script("return [...document.querySelectorAll('[id]')].map((e) => e.id)")
    assert len(ids) == len(set(ids))
    order = []
    for _ in range(60):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        where = browser.execute_script(
            "return document.activeElement.closest('header, #scopes, #sheet, #stage, #hand, #time')?.id"
            " || document.activeElement.closest('header')?.tagName"
        )
        if where and (not order or order[-1] != where):
            order.append(where)
    expected = ["HEADER", "scopes", "sheet", "stage", "hand", "time"]
    met = [place for place in order if place in expected]
    assert met[: len(expected)] == expected


CHANGE = """
const [value, done] = arguments, began = performance.now();
const slider = document.querySelector('fieldset[data-id="steer"] .control[data-name="angle"] input[type=range]');
document.addEventListener("painted", () => done(performance.now() - began), {once: true});
slider.value = value;
slider.dispatchEvent(new Event("input", {bubbles: true}));
"""


def quick(took):
    first, later = median(took[:13]), median(took[13:])
    return first <= max(100, 1.5 * later)


def test_the_first_changes_at_full_hd_are_painted_within_a_tenth_of_a_second(browser, tmp_path):
    """From the slider's event to the painted frame, in the page's own clock. Common practice, no source.

    Medians, because other tests may use the machine meanwhile; where it is too busy for a tenth of a second at all,
    the first changes after opening must at least be as quick as those that follow: at one of three desks, for others
    may begin or end between the two.
    """
    with open_writer(tmp_path / "planing.mkv") as writer:
        frames = workshop.clip(range(1, 2), "light", 5, cast=workshop.skin_cast(0.45, 0.12), width=1920, height=1080)
        writer.write(1, next(iter(frames))[0])
    tried: list[list[float]] = []
    while not tried or (len(tried) < 3 and not quick(tried[-1])):
        results = tmp_path / f"results {len(tried)}"
        results.mkdir()
        served = Served(Desk(Folder(tmp_path, results), "planing.mkv"))
        thread = threading.Thread(target=served.run, daemon=True)
        thread.start()
        browser.get(served.address)
        until(browser, lambda: painted(browser))
        until(browser, lambda: angle(browser) == angle(browser))
        until(browser, lambda: "warming" not in {t.name for t in threading.enumerate()})
        tried.append([])
        for turn in range(26):
            tried[-1].append(browser.execute_async_script(CHANGE, turn % 13 - 6))
            time.sleep(0.15)
        served.stop()
        thread.join(20)
    assert quick(tried[-1]), tried


def test_what_cannot_be_kept_is_said_within_the_window(footage, tmp_path, browser):
    """The longest word of trouble in the head of the page pushes nothing out of it."""
    served = Served(Desk(Folder(footage[0], tmp_path / "gone"), "planing.mkv"))
    thread = threading.Thread(target=served.run, daemon=True)
    thread.start()
    resize(browser, 1280, 720)
    browser.get(served.address)
    until(browser, lambda: painted(browser))
    served.desk.session.set("steer", "angle", 4.0)
    until(browser, lambda: element(browser, "#kept").text.startswith("Not kept: "))
    assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    browser.get("about:blank")
    served.stop()
    thread.join(20)
    browser.get_log("browser")
