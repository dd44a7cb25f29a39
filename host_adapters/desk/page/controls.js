// Controls: one for each declared parameter, whatever node it belongs to.

import { clamp, make, title } from "./small.js";

let gestures = 0;
let lastChange = 0;

/** Changes that follow each other closely are one gesture, and undone together. */
function gesture(id, name) {
  const now = performance.now();
  if (now - lastChange > 900) gestures += 1;
  lastChange = now;
  return `${id}.${name}.${gestures}`;
}

const tidy = (value, step) => {
  const digits = clamp(Math.ceil(-Math.log10(step)) + 2, 0, 8);
  return String(Number(value.toFixed(digits)));
};

/** A figure as exact as the steps of its control. */
const rounded = (value, step) => String(Number(value.toFixed(clamp(Math.ceil(-Math.log10(step)), 0, 8))));

/**
 * Build the control of a parameter. `send(id, name, value, gesture)` sets it, `reset(id, name)` puts it back,
 * `keyframe(id, name, "set" or "remove")` is for what can change over time.
 */
export function control(id, name, declared, send, reset, keyframe = null) {
  const hand = make("span", { class: "hand", hidden: true });
  const label = `${id}-${name}`.replace(/[^\w-]/g, "_");
  const box = make("div", { class: "control", data: { name, help: declared.help, rule: declared.rule } });
  const called = declared.label ?? title(name);
  const heading = make("label", { class: "name", htmlFor: label }, called);
  if (declared.unit) heading.append(" ", make("span", { class: "unit" }, declared.unit));
  const back = make("button", {
    type: "button", class: "reset", title: "Back to the default", "aria-label": `Reset ${called}`,
    onclick: () => reset(id, name),
  }, "↺");
  heading.append(" ", hand);
  const change = (value) => send(id, name, value, gesture(id, name));
  const parts = (KINDS[declared.kind] || words)(label, declared, change, called);
  const fault = make("p", { class: "fault", role: "alert", hidden: true });
  let here = false, drawn = "";
  const key = keyframe && declared.keyable ? make("button", {
    type: "button", class: "key", onclick: () => keyframe(id, name, here ? "remove" : "set"),
  }, "◇") : make("span");
  box.append(heading, ...parts.beside, key, back, ...(parts.below || []), fault);
  return {
    box,
    /** Say under the control why a value was refused; an empty text takes it away. */
    complain(message) {
      fault.textContent = message;
      fault.hidden = !message;
      box.classList.toggle("refused", Boolean(message));
      drawn = ""; // what was typed gives way to what is set
      if (message) fault.scrollIntoView({ block: "nearest" });
    },
    /** @param keyed frames of its keyframes, or undefined @param frame the one that is looked at @param part what was solved and what is by hand */
    show(value, keyed, resting, frame, part) {
      const form = JSON.stringify([value, keyed, resting, keyed?.includes(frame), part]);
      if (form === drawn && !box.contains(document.activeElement)) return;
      drawn = form;
      parts.show(value);
      const same = JSON.stringify(value) === JSON.stringify(resting) && !keyed;
      back.disabled = same && !part?.by_hand;
      const solved = part?.by_hand && part.solved !== null ? tidy(part.solved, declared.step) : null;
      hand.hidden = !part?.by_hand;
      hand.textContent = part?.adds && part.hand !== null ? `by hand ${part.hand < 0 ? "−" : "+"}${rounded(Math.abs(part.hand), declared.step)}` : "by hand";
      box.classList.toggle("touched", Boolean(part?.by_hand));
      hand.title = solved === null ? "" : `Solved: ${solved}. Solving again keeps what is by hand.`;
      back.title = part?.by_hand ? `Back to solved${solved === null ? "" : `, ${solved}`}` : "Back to the default";
      back.setAttribute("aria-label", part?.by_hand ? `${called}: back to solved` : `Reset ${called}`);
      box.classList.toggle("changed", !same);
      heading.title = keyed ? `Changes over time: keyframes at ${keyed.slice(0, 12).join(", ")}${keyed.length > 12 ? " …" : ""}. Setting it sets one at this frame.` : "";
      box.classList.toggle("keyed", Boolean(keyed));
      if (key.tagName !== "BUTTON") return;
      here = keyed?.includes(frame) ?? false;
      key.textContent = here ? "◆" : "◇";
      key.title = here ? "Take the keyframe at this frame away" : "Set a keyframe at this frame";
      key.setAttribute("aria-label", `${here ? "Remove" : "Set"} keyframe of ${called} at this frame`);
    },
  };
}

/** Step keys: arrows by one step, with Shift by ten, with Alt by a tenth. */
function stepKeys(input, declared, change) {
  input.addEventListener("keydown", (event) => {
    const way = { ArrowUp: 1, ArrowRight: input.type === "range" ? 1 : 0, ArrowDown: -1, ArrowLeft: input.type === "range" ? -1 : 0 }[event.key];
    if (!way) return;
    event.preventDefault();
    const whole = declared.kind === "whole";
    const step = declared.step * (event.shiftKey ? 10 : event.altKey && !whole ? 0.1 : 1);
    const value = clamp(Number(input.dataset.value) + way * step, declared.low ?? -Infinity, declared.high ?? Infinity);
    const sent = Number(tidy(whole ? Math.round(value) : value, step));
    input.dataset.value = sent;
    if (input.type === "number") input.value = sent;
    change(sent);
  });
}

function number(label, declared, change, name) {
  const entry = make("input", { type: "number", id: label, step: "any", min: declared.low ?? "", max: declared.high ?? "" });
  const [low, high] = declared.shown;
  const slides = low !== null && high !== null;
  const slider = make("input", { type: "range", min: low, max: high, step: "any", tabIndex: 0, "aria-label": `${name}, slider` });
  entry.addEventListener("change", () => entry.value !== "" && change(Number(entry.value)));
  slider.addEventListener("input", () => {
    const value = Number(tidy(Math.round(Number(slider.value) / declared.step) * declared.step, declared.step));
    entry.value = value;
    change(declared.kind === "whole" ? Math.round(value) : value);
  });
  for (const input of [entry, slider]) stepKeys(input, declared, change);
  return {
    beside: [entry],
    below: slides ? [slider, ...ends(declared)] : [],
    show(value) {
      for (const input of [entry, slider]) input.dataset.value = value;
      if (document.activeElement !== entry || Number(entry.value) !== value) entry.value = tidy(value, declared.step);
      if (!slider.matches(":active")) slider.value = value;
      slider.setAttribute("aria-valuetext", `${tidy(value, declared.step)} ${declared.unit}${declared.ends?.[1] ? `, higher is ${declared.ends[1]}` : ""}`);
    },
  };
}

/** What the low and the high end of a slider mean. */
function ends({ ends: [low, high] = ["", ""] }) {
  return low || high ? [make("div", { class: "ends", "aria-hidden": "true" }, make("span", {}, low), make("span", {}, high))] : [];
}

function toggle(label, declared, change) {
  const input = make("input", { type: "checkbox", id: label, onchange: () => change(input.checked) });
  return { beside: [input], show: (value) => (input.checked = value) };
}

function choice(label, declared, change) {
  const options = Object.entries(declared.options);
  const input = make("select", { id: label, onchange: () => change(input.value) },
    ...options.map(([word, help]) => make("option", { value: word, title: help }, word)));
  return {
    beside: [input],
    show(value) {
      input.value = value;
      input.title = declared.options[value] || "";
    },
  };
}

/** Several numbers side by side: a colour or a position. */
const several = (names, shape) => (label, declared, change, name) => {
  const inputs = names.map((part, i) => make("input", {
    type: "number", step: "any", id: i ? undefined : label, "aria-label": `${name}, ${part}`, title: part,
  }));
  const all = () => inputs.map((input) => Number(input.value));
  for (const input of inputs) {
    input.addEventListener("change", () => change(all()));
    stepKeys(input, declared, (value) => {
      input.value = value;
      change(all());
    });
  }
  return {
    beside: [make("span")],
    below: [make("div", { class: `${shape} wide` }, ...inputs)],
    show: (values) => values.forEach((value, i) => {
      inputs[i].dataset.value = value;
      if (document.activeElement !== inputs[i]) inputs[i].value = tidy(value, declared.step);
    }),
  };
};

function points(label, declared, change) {
  const words = declared.curve ? "input, output" : "x, y";
  const input = make("textarea", { id: label, spellcheck: false, title: `One point a line: ${words}` });
  input.addEventListener("change", () => {
    const lines = input.value.split("\n").map((line) => line.trim()).filter(Boolean);
    change(lines.map((line) => line.split(/[\s,;]+/).map(Number)));
  });
  return {
    beside: [make("span", { class: "unit" }, words)],
    below: [make("div", { class: "wide" }, input)],
    show(values) {
      if (document.activeElement !== input) input.value = values.map((pair) => pair.join(", ")).join("\n");
    },
  };
}

/** Long text that nobody types, such as a learned key: only its length is shown. */
function words(label) {
  const output = make("output", { id: label, class: "unit" });
  return { beside: [output], show: (length) => (output.textContent = length ? `${length} characters` : "empty") };
}

const KINDS = {
  number,
  angle: number,
  whole: number,
  toggle,
  choice,
  colour: several(["red", "green", "blue"], "triple"),
  point: several(["across", "down"], "pair"),
  points,
  text: words,
};
