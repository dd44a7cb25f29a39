// The keyboard: everything that the page can do, by key.

import { find, make } from "./small.js";

/** Key, what it does in words, and the work; letters can be switched off, the rest cannot be typed by accident. */
const KEYS = [
  ["B", "box tool", (d) => d.tool("box")],
  ["K", "stroke tool", (d) => d.tool("stroke")],
  ["P", "point tool", (d) => d.tool("point")],
  ["H", "move tool", (d) => d.tool("move")],
  ["A", "the tool marks skin", (d) => d.purpose("skin")],
  ["X", "the tool marks what stays out (or hold Alt while drawing)", (d) => d.purpose("keep out")],
  ["N", "the tool marks something neutral", (d) => d.purpose("neutral")],
  ["I", "to the picture: arrows move the cross, Enter draws, Escape drops", (d) => d.picture()],
  ["1 … 9", "result, original, split, matte, dimmed, hatched, outline, luma, difference", null],
  [",", "one frame back", (d) => d.frame(-1)],
  [".", "one frame on", (d) => d.frame(1)],
  ["Home", "first frame", (d) => d.frame(0, 0)],
  ["End", "last frame", (d) => d.frame(0, 1)],
  ["Space", "run or stop", (d) => d.play()],
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
  ["E", "reading and scopes on or off", (d) => d.fold()],
  ["V", "large vectorscope", (d) => d.open("vectorscope")],
  ["W", "large waveform", (d) => d.open("waveform")],
  ["C", "clips", (d) => d.open("clips-open")],
  ["Ctrl+S", "save", (d) => d.open("save-open")],
  ["R", "render", (d) => d.open("render-open")],
  ["Ctrl+Z", "undo", (d) => d.undo()],
  ["Ctrl+Shift+Z", "redo (also Ctrl+Y)", (d) => d.redo()],
  ["?", "this list", (d) => d.open("keys-open")],
];

const CONTROLS = [
  ["↑ ↓", "in a control: one step; with Shift ten, with Alt a tenth"],
  ["Wheel", "on the picture: zoom; the middle button or two fingers move it"],
  ["F2", "on a person: another name; Delete takes them out"],
];

const NAMES = { " ": "Space" };

function pressed(event) {
  const key = NAMES[event.key] || (event.key.length === 1 ? event.key.toUpperCase() : event.key);
  const letter = /^[A-Z]$/.test(key) && event.shiftKey;
  return `${event.ctrlKey || event.metaKey ? "Ctrl+" : ""}${letter ? "Shift+" : ""}${key}`;
}

const typing = (element) => element.matches("input[type=text], input[type=number], textarea, select");

export function bindKeys(doing) {
  const table = new Map(KEYS.filter(([, , work]) => work).map(([key, , work]) => [key.toUpperCase(), work]));
  table.set("CTRL+Y", (d) => d.redo());
  table.set("=", (d) => d.zoom(1.5));
  find("keys").append(...[...KEYS, ...CONTROLS].flatMap(([key, words]) => [make("dt", {}, key), make("dd", {}, words)]));
  document.addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]") || event.defaultPrevented || (event.altKey && event.key !== "Alt")) return;
    const key = pressed(event).toUpperCase();
    const target = event.target;
    if (typing(target) && !key.startsWith("CTRL+")) return;
    if (typing(target) && key !== "CTRL+S") return;
    if (target.matches("button, summary, input") && ["SPACE", "HOME", "END"].includes(key)) return;
    if (key.length === 1 && /[A-Z]/.test(key) && !find("keys-on").checked) return;
    const work = /^[1-9]$/.test(key) ? (d) => d.view(Number(key)) : table.get(key);
    if (!work) return;
    event.preventDefault();
    work(doing);
  });
}
