"""How long the desk takes, in a real browser: from the hand to the painted frame, from one page to another, and memory.

    python tests/desk_times.py CLIP [N]

Opens the desk on a clip in a process of its own, drags each slider N times (60), and prints medians, 95th percentiles
and the memory of the desk as a table. The clip should show a face in the middle; figures of a busy machine say little.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

ROWS = [
    ("turn", "steer", "angle", -8, 8, "any"),
    ("skin saturation", "steer", "saturation", 0.8, 1.2, "any"),
    ("temperature, last matte", "balance", "temperature", -20, 20, "any"),
    ("middle, last matte", "tone", "middle", -5, 5, "any"),
    ("saturation, last matte", "saturation", "saturation", 0.8, 1.2, "any"),
    ("key width", "skin", "width", -0.1, 0.1, "any"),
    ("edge blur", "soften", "softness", 0, 8, "any"),
    ("temperature, keyed anew", "balance", "temperature", -20, 20, "keyed"),
    ("middle, keyed anew", "tone", "middle", -5, 5, "keyed"),
    ("turn, without loss", "steer", "angle", -8, 8, "rest"),
]
DRAG = """
const [id, name, values, until, done] = arguments;
const slider = document.querySelector(`fieldset[data-id="${id}"] .control[data-name="${name}"] input[type=range]`);
const out = [];
const enough = ({ moving, last }) => until === "any" || (until === "keyed" ? !last : !moving);
const go = () => {
  if (out.length >= values.length) return done(out);
  const began = performance.now();
  const seen = ({ detail }) => {
    if (!enough(detail)) return;
    document.removeEventListener("painted", seen);
    out.push(performance.now() - began);
    setTimeout(go, 30);
  };
  document.addEventListener("painted", seen);
  slider.value = values[out.length];
  slider.dispatchEvent(new Event("input", { bubbles: true }));
};
go();
"""
SCRUB = """
const [frames, done] = arguments, out = [], slider = document.getElementById("frame");
const go = () => {
  if (out.length >= frames.length) return done(out);
  const began = performance.now(), frame = frames[out.length];
  const seen = ({ detail }) => {
    if (detail.frame !== frame) return;
    document.removeEventListener("painted", seen);
    out.push(performance.now() - began);
    setTimeout(go, 400);
  };
  document.addEventListener("painted", seen);
  slider.value = frame;
  slider.dispatchEvent(new Event("input", { bubbles: true }));
};
go();
"""
TURN = """document.querySelector('fieldset[data-id="steer"] [data-name="angle"] input')"""
WATCH = f"""
setInterval(() => {{
  const value = {TURN}.value;
  if (value === window.was) return;
  window.was = value;
  (window.said ??= {{}})[value] = Date.now();
}}, 4)"""
SET = f"""
const input = {TURN}, now = Date.now();
input.value = arguments[0];
input.dispatchEvent(new Event("change", {{ bubbles: true }}));
return now"""
LEARN = """
const [frame, done] = arguments;
const post = (name, body) => fetch(new URL(`api/${name}`, location.href), {
  method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
post("mark", { frame, suffix: "", purpose: "skin", kind: "box", points: [[0.48, 0.3], [0.54, 0.36]], learn: true })
  .then(() => post("solve", { what: "everything", frame })).then((answer) => answer.text()).then(done);
"""


def memory(pid: int) -> tuple[int, int]:
    """Return the memory that a process has now and had at most, MB."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    told = {line.split(":")[0]: line.split()[1] for line in lines if line.startswith(("VmRSS", "VmHWM"))}
    return int(told["VmRSS"]) // 1024, int(told["VmHWM"]) // 1024


def row(name: str, times: list[float]) -> None:
    """Print a line of the table."""
    times = sorted(times)
    print(
        f"| {name} | {statistics.median(times):.0f} | {times[int(0.95 * len(times))]:.0f} | {len(times)} |", flush=True
    )


def measure(browser: webdriver.Chrome, pid: int, count: int) -> None:
    """Print the table."""
    until = WebDriverWait(browser, 120, 0.1).until
    until(lambda _: browser.execute_script("return document.getElementById('stage').dataset.painted"))
    time.sleep(8)  # what is compiled after the first picture
    frame = int(browser.find_element(By.ID, "frame").get_attribute("min"))
    last = int(browser.find_element(By.ID, "frame").get_attribute("max"))
    browser.execute_async_script(LEARN, frame)
    time.sleep(4)
    print(f"load {os.getloadavg()[0]:.1f}, memory after solving {memory(pid)[0]} MB")
    print("| from the hand to the painted frame | median, ms | 95 % | n |\n|---|---|---|---|")
    for name, id, param, low, high, when in ROWS:
        n = count if when == "any" else count // 3
        values = [low + (high - low) * (k * 7 % n) / n for k in range(n)]
        row(name, browser.execute_async_script(DRAG, id, param, values, when))
        time.sleep(1)
    frames = [frame + 1 + (k * 23) % (last - frame) for k in range(30)] if last > frame else []
    if frames:
        row("another frame", browser.execute_async_script(SCRUB, frames))
    print(f"memory after dragging {memory(pid)[0]} MB, at most {memory(pid)[1]} MB")
    if last > frame:
        browser.find_element(By.ID, "play").click()
        time.sleep(8)
        speed = browser.execute_script("return document.getElementById('stage').dataset.speed")
        browser.find_element(By.ID, "play").click()
        time.sleep(2)
        print(f"plays {speed} frames/s; memory {memory(pid)[0]} MB, at most {memory(pid)[1]} MB")
    first, address = browser.current_window_handle, browser.current_url
    browser.switch_to.new_window("window")
    browser.get(address)
    second = browser.current_window_handle
    until(lambda _: browser.execute_script("return document.getElementById('stage').dataset.painted"))
    browser.execute_script(WATCH)
    browser.switch_to.window(first)
    sent = {}
    for turn in range(20, 40):
        sent[str(turn)] = browser.execute_script(SET, turn)
        time.sleep(0.6)
    browser.switch_to.window(second)
    said = browser.execute_script("return window.said")
    row("the other page", [said[turn] - at for turn, at in sent.items() if turn in said])
    print(f"load {os.getloadavg()[0]:.1f}, memory at the end {memory(pid)[0]} MB, at most {memory(pid)[1]} MB")


def main() -> None:
    """Start a desk and a browser, measure, and end both."""
    clip, count = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 60
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(flag)
    with tempfile.TemporaryDirectory() as results, contextlib.ExitStack() as stack:
        words = [sys.executable, "-u", "-m", "inkarnat.host_adapters.commands.cli", "desk", clip, "--no-browser"]
        environment = {**os.environ, "XDG_STATE_HOME": results}
        desk = subprocess.Popen([*words, "--results", results], stdout=subprocess.PIPE, text=True, env=environment)
        stack.callback(desk.wait)
        stack.callback(desk.terminate)
        assert desk.stdout is not None
        address = next(word for line in desk.stdout for word in line.split() if word.startswith("http://"))
        browser = webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver")))
        stack.callback(browser.quit)
        browser.set_script_timeout(180)
        metrics = {"width": 1280, "height": 720, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        browser.get(address)
        measure(browser, desk.pid, count)


if __name__ == "__main__":
    main()
