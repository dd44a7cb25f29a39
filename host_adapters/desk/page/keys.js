// The keyboard: everything that the page can do, by key.

import { find, make } from "./small.js";

/** Key, what it does in words, and the work; letters can be switched off, the rest cannot be typed by accident. */
const KEYS = [
  ["B", "box tool", (d) => d.tool("box")],
  ["K", "stroke tool", (d) => d.tool("stroke")],
  ["P", "point tool", (d) => d.tool("point")],
  ["H", "look: read and move the picture, marks hidden", (d) => d.tool("look")],
  ["D", "shape tool: keep in, keep out", (d) => d.tool("shape")],
  ["A", "the tool marks skin", (d) => d.purpose("skin")],
  ["X", "the tool marks what stays out (or hold Alt while drawing)", (d) => d.purpose("keep out")],
  ["N", "the tool marks something neutral", (d) => d.purpose("neutral")],
  ["I", "to the picture: arrows move the cross, Enter draws, Escape drops", (d) => d.picture()],
  ["1 … 9", "final, as shot, light only, split, matte, dimmed, outline, hatched, difference; held: only as long", null],
  ["M", "a magnifier at the cursor; held, only as long", null],
  ["T", "marks shown or hidden", (d) => d.marks()],
  [",", "one frame back", (d) => d.frame(-1)],
  [".", "one frame on", (d) => d.frame(1)],
  ["Shift+,", "keyframe before this frame", (d) => d.keyframe(-1)],
  ["Shift+.", "keyframe after this frame", (d) => d.keyframe(1)],
  ["Q", "flicker: measure it, then to the worst frames one after another", (d) => d.flicker()],
  ["Home", "first frame", (d) => d.frame(0, 0)],
  ["End", "last frame", (d) => d.frame(0, 1)],
  ["Space", "play or stop", (d) => d.play()],
  ["Shift+I", "play from here", (d) => d.span("in")],
  ["Shift+O", "play to here", (d) => d.span("out")],
  ["+", "zoom in", (d) => d.zoom(1.5)],
  ["-", "zoom out", (d) => d.zoom(1 / 1.5)],
  ["0", "fit the picture", (d) => d.zoom(0)],
  ["Z", "full size on or off", (d) => d.full()],
  ["G", "balance the light", (d) => d.solve("balance")],
  ["L", "learn the key from the marks", (d) => d.solve("learn")],
  ["S", "rest skin on the target", (d) => d.solve("steer")],
  ["Shift+S", "solve everything", (d) => d.solve("everything")],
  ["J", "next step of the job", (d) => d.step(1)],
  ["Shift+J", "step before", (d) => d.step(-1)],
  ["U", "next person", (d) => d.person()],
  ["F", "picture alone", (d) => d.plain()],
  ["Shift+F", "fill the screen", (d) => d.fullScreen()],
  ["E", "scopes on or off", (d) => d.fold()],
  ["V", "vectorscope; arrows turn the skin and change its saturation", (d) => d.scope("vectorscope")],
  ["W", "waveform; arrows move the levels", (d) => d.scope("waveform")],
  ["Escape", "the whole picture again, where a region of a plot is shown", (d) => d.escape()],
  ["PageUp", "shot before in the list", (d) => d.clip(-1)],
  ["PageDown", "next shot in the list", (d) => d.clip(1)],
  ["C", "the list of shots, or the controls", (d) => d.open("clips-open")],
  ["Y", "this frame as it is now kept beside, or not", (d) => d.beside()],
  ["Ctrl+S", "save", (d) => d.open("save-open")],
  ["R", "render", (d) => d.open("render-open")],
  ["Ctrl+Z", "undo", (d) => d.undo()],
  ["Ctrl+Shift+Z", "redo (also Ctrl+Y)", (d) => d.redo()],
  ["?", "this list", (d) => d.open("keys-open")],
];

const CONTROLS = [
  ["↑ ↓", "in a control: one step; with Shift ten, with Alt a tenth"],
  ["Wheel", "on the picture: zoom; the middle button or two fingers move it"],
  ["[ ]", "with the shape tool, on the picture: through the handles of shapes and faces; arrows move, Delete takes out"],
  ["← →", "on a keyframe of the timeline: one frame; Delete takes it away"],
  ["F2", "on a person: another name; Delete takes them out"],
];

const NAMES = { " ": "Space" };

function pressed(event) {
  const key = NAMES[event.key] || (event.key.length === 1 ? event.key.toUpperCase() : event.key);
  const letter = /^[A-Z]$/.test(key) && event.shiftKey;
  return `${event.ctrlKey || event.metaKey ? "Ctrl+" : ""}${letter ? "Shift+" : ""}${key}`;
}

const typing = (element) => element.matches("input[type=text], input[type=number], textarea, select");

/** @param held milliseconds from which on a key counts as held */
export function bindKeys(doing, held) {
  let lens = null; // whether the magnifier was there before M went down, and since when
  let down = null; // the view key that is down, and since when
  const table = new Map(KEYS.filter(([, , work]) => work).map(([key, , work]) => [key.toUpperCase(), work]));
  table.set("CTRL+Y", (d) => d.redo());
  table.set("=", (d) => d.zoom(1.5));
  for (const [typed, key] of [["<", "SHIFT+,"], [">", "SHIFT+."], [";", "SHIFT+,"], [":", "SHIFT+."]]) table.set(typed, table.get(key));
  find("keys").append(...[...KEYS, ...CONTROLS].flatMap(([key, words]) => [make("dt", {}, key), make("dd", {}, words)]));
  document.addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]") || event.defaultPrevented || (event.altKey && event.key !== "Alt")) return;
    const key = pressed(event).toUpperCase();
    const target = event.target;
    if (typing(target) && !key.startsWith("CTRL+")) return;
    if (typing(target) && key !== "CTRL+S") return;
    if (target.matches("button, summary, input") && ["SPACE", "HOME", "END"].includes(key)) return;
    if (key.length === 1 && /[A-Z]/.test(key) && !find("keys-on").checked) return;
    if (/^[1-9]$/.test(key)) {
      event.preventDefault();
      if (event.repeat) return;
      down = { key, since: performance.now() };
      doing.hold(Number(key));
      return;
    }
    if (key === "M") {
      event.preventDefault();
      if (!event.repeat) {
        lens = { was: find("lens").getAttribute("aria-pressed") === "true", since: performance.now() };
        doing.lens(!lens.was);
      }
      return;
    }
    const work = table.get(key);
    if (!work) return;
    event.preventDefault();
    work(doing);
  });
  document.addEventListener("keyup", (event) => {
    if (event.key.toUpperCase() === "M" && lens) {
      if (performance.now() - lens.since > held) doing.lens(lens.was);
      lens = null;
    }
    if (down?.key !== event.key) return;
    const long = performance.now() - down.since > held;
    const number = Number(down.key);
    down = null;
    if (long) doing.hold(null);
    else doing.view(number);
  });
  window.addEventListener("blur", () => {
    down = null;
    doing.hold(null);
    if (lens) doing.lens(lens.was);
    lens = null;
  });
}
