// Controls: one for each declared parameter, whatever node it belongs to.

import { clamp, make, signed, title } from "./small.js";

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

/** A field's number as people type it, and back: units and directions are declared. */
const typed = (value, { slope = 1, offset = 0 }) => (value - offset) / slope;
const field = (value, { slope = 1, offset = 0 }) => Number((value * slope + offset).toFixed(10));

/** What a typed number comes to in another unit of the trade. */
const ASIDES = {
  kelvin: (value, { daylight }) => (daylight - value >= 20 ? `neutral for ${Math.round(1e6 / (daylight - value) / 10) * 10} K` : ""),
  codes: (value, _, { signed: way, units }) => `${way ? signed(value / units.c, 0) : Math.round(value / units.c)} codes`,
  pixels: (value, { lines }) => (lines ? `${Number(((value * lines) / 100).toFixed(1))} px` : ""),
};

/** What else the asides need: the mired of daylight, and the lines of the clip. */
export const scale = { daylight: 0, lines: 0 };

/** Read a number with a unit behind it, such as 4px; null for what is none. */
function readTyped(text, declared) {
  const found = /^([-+]?(?:\d+\.?\d*|\.\d+))\s*([a-z%°]*)$/i.exec(text.trim().replace("−", "-"));
  if (!found) return null;
  const units = { "": 1, "%": declared.unit.startsWith("%") ? 1 : undefined, ...declared.units };
  if (declared.aside === "pixels" && scale.lines) units.px = 100 / scale.lines;
  return units[found[2]] === undefined ? null : Number(found[1]) * units[found[2]];
}

/**
 * Build the control of a parameter. `send(id, name, value, gesture)` sets it, `reset(id, name)` puts it back,
 * `keyframe(id, name, what)` sets or removes a keyframe, or chooses the way between them, one of `ways`.
 */
export function control(id, name, declared, send, reset, keyframe = null, ways = {}) {
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
  const fault = make("p", { class: "fault", role: "alert", hidden: true });
  const told = (message) => {
    fault.textContent = message;
    fault.hidden = false;
    box.classList.add("refused");
  };
  const parts = (KINDS[declared.kind] || words)(label, declared, change, called, told);
  const inTyped = (value, by) => (by ? value / (declared.slope ?? 1) : typed(value, declared));
  let here = false, drawn = "";
  const key = keyframe && declared.keyable ? make("button", {
    type: "button", class: "key", onclick: () => keyframe(id, name, here ? "remove" : "set"),
  }, "◇") : make("span");
  const way = make("select", { "aria-label": `${called}: between keyframes`, onchange: () => keyframe(id, name, way.value) },
    ...Object.entries(ways).map(([word, help]) => make("option", { value: word, title: help }, word === "linear" ? "straight" : word)));
  const between = make("div", { class: "between", hidden: true }, make("span", {}, "Between keyframes"), way);
  box.append(heading, ...parts.beside, key, back, ...(parts.below || []), between, fault);
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
    /** @param keyed frames of its keyframes, or undefined @param frame the one that is looked at @param part what was solved and what is by hand @param going the way between its keyframes */
    show(value, keyed, resting, frame, part, going) {
      const form = JSON.stringify([value, keyed, resting, keyed?.includes(frame), part, going, scale.lines]);
      if (form === drawn && !box.contains(document.activeElement)) return;
      drawn = form;
      parts.show(value);
      const same = JSON.stringify(value) === JSON.stringify(resting) && !keyed;
      back.disabled = same && !part?.by_hand;
      const solved = part?.by_hand && part.solved !== null ? tidy(inTyped(part.solved), declared.step) : null;
      hand.hidden = !part?.by_hand;
      hand.textContent = part?.adds && part.hand !== null ? `by hand ${inTyped(part.hand, true) < 0 ? "−" : "+"}${rounded(Math.abs(inTyped(part.hand, true)), declared.step)}` : "by hand";
      box.classList.toggle("touched", Boolean(part?.by_hand));
      hand.title = solved === null ? "" : `Solved: ${solved}. Solving again keeps what is by hand.`;
      back.title = part?.by_hand ? `Back to solved${solved === null ? "" : `, ${solved}`}` : "Back to the default";
      back.setAttribute("aria-label", part?.by_hand ? `${called}: back to solved` : `Reset ${called}`);
      box.classList.toggle("changed", !same);
      heading.title = keyed ? `Changes over time: keyframes at ${keyed.slice(0, 12).join(", ")}${keyed.length > 12 ? " …" : ""}. Setting it sets one at this frame.` : "";
      box.classList.toggle("keyed", Boolean(keyed));
      between.hidden = !(keyed?.length > 1 && keyframe);
      if (going) way.value = going;
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

function number(label, declared, change, name, told) {
  const units = declared.aside === "pixels" || Object.keys(declared.units ?? {}).length > 0;
  const entry = make("input", units ? { type: "text", inputMode: "decimal", id: label, class: "figure" } : { type: "number", id: label, step: "any", min: declared.low ?? "", max: declared.high ?? "" });
  const [low, high] = declared.shown;
  const slides = low !== null && high !== null;
  const slider = make("input", { type: "range", min: low, max: high, step: "any", tabIndex: 0, "aria-label": `${name}, slider` });
  const beside = make("span", { class: "aside unit" });
  const aside = (value) => ASIDES[declared.aside]?.(value, scale, declared) ?? "";
  const sent = (value) => change(declared.kind === "whole" ? Math.round(value) : field(value, declared));
  entry.addEventListener("change", () => {
    if (entry.value.trim() === "") return;
    const value = units ? readTyped(entry.value, declared) : Number(entry.value);
    if (value === null) return told(`${name} takes ${declared.rule}, not ${entry.value.slice(0, 40)}.`);
    sent(value);
  });
  slider.addEventListener("input", () => {
    const value = Number(tidy(Math.round(Number(slider.value) / declared.step) * declared.step, declared.step));
    entry.value = value;
    sent(value);
  });
  for (const input of [entry, slider]) stepKeys(input, declared, sent);
  return {
    beside: [entry],
    below: [...(slides ? [slider, ...ends(declared)] : []), ...(declared.aside ? [beside] : [])],
    show(set) {
      const value = Number(tidy(typed(set, declared), declared.step));
      for (const input of [entry, slider]) input.dataset.value = value;
      if (document.activeElement !== entry || Number(entry.value) !== value) entry.value = tidy(value, declared.step);
      if (!slider.matches(":active")) slider.value = value;
      beside.textContent = aside(value);
      slider.setAttribute("aria-valuetext", `${tidy(value, declared.step)} ${[declared.unit, aside(value)].filter(Boolean).join(", ")}${declared.ends?.[1] ? `, higher is ${declared.ends[1]}` : ""}`);
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
  const slope = declared.slope ?? 1;
  const words = declared.curve ? "input, output" : "x, y";
  const input = make("textarea", { id: label, spellcheck: false, title: `One point a line: ${words}` });
  input.addEventListener("change", () => {
    const lines = input.value.split("\n").map((line) => line.trim()).filter(Boolean);
    change(lines.map((line) => line.split(/[\s,;:]+/).map((part) => field(Number(part.replace("%", "")), { slope }))));
  });
  return {
    beside: [make("span", { class: "unit" }, words)],
    below: [make("div", { class: "wide" }, input)],
    show(values) {
      if (document.activeElement !== input) input.value = values.map((pair) => pair.map((value) => tidy(value / slope, 0.01)).join(", ")).join("\n");
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
