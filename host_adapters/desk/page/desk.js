// The desk: holds what the server said last, asks for pictures one after the other, and wires the page together.

import { Evidence } from "./evidence.js";
import { bindKeys } from "./keys.js";
import { act, ask, askPixels, Refusal, thumbnail } from "./link.js";
import { Sheet } from "./sheet.js";
import { choices, choose, clamp, find, make } from "./small.js";
import { Stage } from "./stage.js";

const TOOLS = [["box", "Box", "Drag a box (B)"], ["stroke", "Stroke", "Paint a stroke (K)"], ["point", "Point", "Click a point (P)"], ["move", "Move", "Move the picture (H)"]];
const PURPOSES = [
  ["skin", "+ Skin", "What is drawn is skin (A)"],
  ["keep out", "− Keep out", "What is drawn stays out (X, or hold Alt)"],
  ["neutral", "○ Neutral", "What is drawn is grey or white (N)"],
];

const declared = await ask("declarations");
let state = await ask("state");

const now = {
  frame: state.clip.frames[0],
  view: "result",
  person: state.people[0]?.suffix ?? "",
  tool: "box",
  purpose: "skin",
  full: false,
};

// --- messages -------------------------------------------------------------------------------------------------

let fading = 0;

function say(words, urgent = false) {
  const box = find("message");
  clearTimeout(fading);
  box.textContent = words;
  box.hidden = !words;
  fading = setTimeout(() => (box.hidden = true), urgent ? 12000 : 5000);
}

const complain = (error) => say(error.message, true);

// --- doing ----------------------------------------------------------------------------------------------------

let busy = 0;

/** Have the server do something and show what came of it. */
async function does(name, body, quiet = false) {
  busy += quiet ? 0 : 1;
  const waiting = setTimeout(() => (find("busy").hidden = busy === 0), 250);
  try {
    const answer = await act(name, body);
    adopt(answer);
    if (answer.message) say(answer.message);
    return true;
  } catch (error) {
    if (error instanceof Refusal && error.status === 409 && (await agree(error.message))) {
      return await does(name, { ...body, replace: true }, quiet);
    }
    if (!(error instanceof Refusal && error.status === 409)) {
      complain(error);
      adopt(state);
    }
    return false;
  } finally {
    clearTimeout(waiting);
    busy -= quiet ? 0 : 1;
    if (!busy) find("busy").hidden = true;
  }
}

function agree(words) {
  return new Promise((resolve) => {
    const box = find("ask-dialog");
    find("ask-words").textContent = words;
    const answer = (yes) => {
      box.close();
      resolve(yes);
    };
    find("ask-yes").onclick = () => answer(true);
    box.onclose = () => resolve(false);
    box.showModal();
  });
}

/** Changes of controls go out one at a time; of those that wait, the newest for each control is sent. */
const outbox = new Map();
let sending = false;

async function send(id, name, value, gesture) {
  outbox.set(`${id}.${name}`, { id, name, value, gesture });
  if (sending) return;
  sending = true;
  while (outbox.size) {
    const [key, body] = outbox.entries().next().value;
    outbox.delete(key);
    await does("set", body, true);
  }
  sending = false;
}

// --- showing --------------------------------------------------------------------------------------------------

function adopt(fresh) {
  const moved = fresh.clip.name !== state.clip.name;
  state = fresh;
  if (!state.people.some((person) => person.suffix === now.person)) now.person = state.people[0]?.suffix ?? "";
  if (moved) arrive();
  const { undo, redo } = state.history;
  for (const [id, what, key] of [["undo", undo, "Ctrl+Z"], ["redo", redo, "Ctrl+Shift+Z"]]) {
    find(id).disabled = !what;
    find(id).title = what ? `${what} (${key})` : key;
  }
  find("clip-name").textContent = state.clip.name;
  document.title = `${state.clip.name} · Inkarnat desk`;
  const { trouble } = state.autosave;
  find("kept").textContent = trouble ? `Not kept: ${trouble}` : state.graph.saved ? `${state.graph.name} is saved` : "kept as you work";
  find("kept").classList.toggle("trouble", Boolean(trouble));
  find("clip-name").title = find("kept").textContent;
  find("kept").title = `Every change goes to ${state.autosave.name} beside the clip.`;
  sheet.show(state, now.person, declared.words[now.view]);
  showMarks();
  showRender();
  refresh();
}

/** A clip has been opened: set the timeline and start at its first frame. */
function arrive() {
  const [first, last, step] = state.clip.frames;
  now.frame = first;
  for (const id of ["frame", "frame-number"]) Object.assign(find(id), { min: first, max: last, step });
  find("length").textContent = `of ${first}–${last}`;
  const stem = state.graph.name.replace(/\.json$/, "");
  const video = !/%0?\d*d|#/.test(state.clip.name) && state.clip.frames[0] !== state.clip.frames[1];
  const suffix = state.clip.name.split(".").at(-1);
  find("graph-name").value = state.graph.name;
  find("still-name").value = `${stem}-reference.png`;
  find("render-output").value = video ? `${stem}-skin.mov` : state.clip.name.replace(/(.*?)([._-]?(%0?\d*d|#+))?\.[^.]+$/, (_, a, b) => `${a}-skin${b || ""}.${suffix}`);
  find("save-where").textContent = `Marks and settings go with the graph; every change is also kept in ${state.autosave.name}.`;
  stage.fit();
  stage.sheets.back = null;
  painted.original = "";
  if (state.notices.length) say(state.notices.join(" "));
}

function showMarks() {
  stage.setMarks(state.marks.filter((mark) => mark.frame === now.frame && (mark.suffix === now.person || mark.purpose === "neutral")));
  const [first, last] = state.clip.frames;
  const frames = [...new Set(state.marks.map((mark) => mark.frame))];
  find("ticks").replaceChildren(...frames.map((frame) => {
    const tick = make("i");
    tick.style.left = `${(100 * (frame - first)) / Math.max(last - first, 1)}%`;
    return tick;
  }));
  for (const id of ["frame", "frame-number"]) if (document.activeElement !== find(id) || id === "frame") find(id).value = now.frame;
  find("frame").setAttribute("aria-valuetext", `frame ${now.frame}`);
}

// --- pictures, and the evidence behind them: one request of each at a time, always the newest wish ---------------

const painted = { picture: "", original: "", evidence: "" };
const following = new Set();

/** How many times smaller than it is sent the picture is shown; what cannot be seen need not travel. */
function shrink() {
  if (now.full) return 1;
  const { width, height } = state.clip;
  const sent = width * Math.min(1920 / width, 1080 / height, 1);
  return clamp(Math.floor(sent / (stage.place.width * (devicePixelRatio || 1))), 1, 16) || 1;
}

const wish = () => JSON.stringify([state.clip.name, state.revision, now.frame, now.view, now.person, now.full, shrink()]);

const refresh = () => follow("picture", wish, paint);

const read = () => follow("evidence", () => painted.picture, async (wanted) => {
  if (await evidence.show(query(), () => painted.picture !== wanted)) painted.evidence = wanted;
});

const query = () => ({ frame: now.frame, suffix: now.person, full: now.full ? 1 : undefined });

/** Bring what is shown up to the newest wish. The picture never waits for the evidence, which follows the picture. */
async function follow(what, wished, work) {
  if (following.has(what)) return;
  following.add(what);
  for (let tries = 0; painted[what] !== wished() && tries < 3; ) {
    const wanted = wished();
    try {
      await work(wanted);
      tries = 0;
    } catch (error) {
      complain(error);
      painted[what] = wanted;
      tries += 1;
    }
  }
  following.delete(what);
}

async function paint(wanted) {
  const view = now.view === "split" ? "result" : now.view;
  if (now.view === "split") {
    const original = JSON.stringify([state.clip.name, now.frame, now.full, shrink()]);
    if (painted.original !== original) {
      stage.show(await askPixels("frame", { ...query(), view: "original", shrink: shrink() }), "back");
      painted.original = original;
    }
  }
  stage.show(await askPixels("frame", { ...query(), view, shrink: shrink() }));
  painted.picture = wanted;
  read();
  const { revision } = state;
  requestAnimationFrame(() => setTimeout(() => {
    stage.element.dataset.painted = revision;
    document.dispatchEvent(new CustomEvent("painted", { detail: { revision } }));
  }));
}

// --- what can be chosen -----------------------------------------------------------------------------------------

function setView(view) {
  now.view = view;
  choose(find("views"), view);
  stage.setSplit(view === "split" ? (stage.split ?? 0.5) : null);
  sheet.show(state, now.person, declared.words[view]);
  refresh();
}

function setTool(tool) {
  now.tool = tool;
  choose(find("tools"), tool);
  find("brush").hidden = tool !== "stroke";
  stage.setTool(tool);
}

function setPurpose(purpose) {
  now.purpose = purpose;
  choose(find("purposes"), purpose);
  if (now.tool === "move") setTool("box");
}

function setFrame(frame) {
  const [first, last, step] = state.clip.frames;
  now.frame = clamp(first + Math.round((frame - first) / step) * step, first, last);
  showMarks();
  refresh();
}

const setFull = (full) => {
  now.full = full;
  find("full-check").setAttribute("aria-pressed", String(full));
  refresh();
};

let playing = 0;

function play() {
  if (playing) {
    clearInterval(playing);
    playing = 0;
    return;
  }
  const [first, last, step] = state.clip.frames;
  if (first === last) return;
  playing = setInterval(() => {
    if (painted.picture === wish()) setFrame(now.frame + step > last ? first : now.frame + step);
  }, 1000 / (state.clip.rate || 24));
}

const solve = (what) => does("solve", { what, frame: now.frame, suffix: now.person });

async function namePerson(words, fallback) {
  const name = prompt(words, fallback);
  return name === null ? null : name.trim();
}

const doing = {
  send,
  solve,
  reset: (id, name) => does("reset", { id, name }, true),
  unmark: (mark) => does("unmark", { mark }),
  goTo: setFrame,
  choosePerson(suffix) {
    now.person = suffix;
    adopt(state);
  },
  async addPerson() {
    const name = await namePerson("Whose skin is it?", `Person ${state.people.length + 1}`);
    if (name === null || !(await does("person", { do: "add", name }))) return;
    doing.choosePerson(state.people.at(-1).suffix);
  },
  async renamePerson(suffix) {
    const name = await namePerson("Another name", state.people.find((person) => person.suffix === suffix).name);
    if (name) await does("person", { do: "rename", suffix, name });
  },
  removePerson: (suffix) => does("person", { do: "remove", suffix }),
};

// --- clips, saving, rendering -----------------------------------------------------------------------------------

async function showClips() {
  const grades = { good: "● rests", look: "◐ look at it", redo: "○ redo" };
  const items = (await ask("clips")).map(({ name, open, begun, status }) => {
    const words = open ? "on the desk" : status ? `${grades[status.grade]}: ${status.words}` : begun ? "begun" : "untouched";
    const tick = make("input", { type: "checkbox", value: name, disabled: open, "aria-label": `Carry to ${name}` });
    const go = make("button", { type: "button", disabled: open, "aria-label": `Open ${name}`, onclick: () => openClip(name) }, "Open");
    return make("li", { data: { open, name, grade: status?.grade } }, tick, make("img", { src: thumbnail(name), alt: "", loading: "lazy" }),
      make("div", {}, make("b", {}, name), make("span", { class: "status" }, words)), go);
  });
  find("clips").replaceChildren(...items);
}

async function openClip(clip) {
  if (await does("open", { clip })) find("clips-dialog").close();
}

async function carry() {
  const clips = [...find("clips").querySelectorAll("input:checked")].map((input) => input.value);
  if (!clips.length) return say("Tick the clips that the correction should be carried to.");
  find("carry").disabled = true;
  await does("carry", { clips, frame: now.frame });
  find("carry").disabled = false;
  await showClips();
}

let watching = 0;

function showRender() {
  const { render } = state;
  const running = render?.state === "running";
  find("render-progress").hidden = !render;
  find("render-start").disabled = running;
  find("render-cancel").disabled = !running;
  find("render-open").textContent = running ? `Rendering ${Math.floor((100 * render.done) / Math.max(render.total, 1))} %` : "Render…";
  if (render) {
    find("render-bar").value = render.total ? render.done / render.total : 0;
    find("render-words").textContent = running ? `${render.done} of ${render.total} frames` : render.message;
    find("render-progress").dataset.state = render.state;
  }
  clearTimeout(watching);
  if (running) watching = setTimeout(watchRender, 300);
}

async function watchRender() {
  try {
    const fresh = await ask("state");
    state.render = fresh.render;
    showRender();
    if (fresh.render?.state !== "running") say(fresh.render?.message ?? "");
  } catch (error) {
    complain(error);
  }
}

const startRender = () => does("render", {
  output: find("render-output").value.trim(),
  matte: find("render-matte").value.trim(),
  frames: find("render-frames").value.trim(),
  codec: find("render-codec").value,
});

// --- wiring -----------------------------------------------------------------------------------------------------

const stage = new Stage(
  ({ kind, points, radius, away }) => does("mark", {
    kind, points, radius, frame: now.frame, suffix: now.person,
    purpose: away && now.purpose === "skin" ? "keep out" : now.purpose, learn: find("at-once").checked,
  }),
  (words) => say(words),
  () => refresh(),
);
const sheet = new Sheet(declared, doing);
const evidence = new Evidence(
  (tool, purpose) => {
    setPurpose(purpose);
    setTool(tool);
    stage.element.focus();
  },
);

choices(find("views"), Object.entries(declared.words).map(([id, words], i) => [id, words, `${words} (${i + 1})`]), now.view, setView);
choices(find("tools"), TOOLS, now.tool, setTool);
choices(find("purposes"), PURPOSES, now.purpose, setPurpose);
find("render-codec").append(make("option", { value: "" }, "as suits the file"), ...declared.codecs.map((codec) => make("option", { value: codec }, codec)));

const on = (id, name, work) => find(id).addEventListener(name, work);
on("undo", "click", () => does("undo"));
on("redo", "click", () => does("redo"));
on("frame", "input", () => setFrame(Number(find("frame").value)));
on("frame-number", "change", () => setFrame(Number(find("frame-number").value)));
on("back", "click", () => setFrame(now.frame - state.clip.frames[2]));
on("forth", "click", () => setFrame(now.frame + state.clip.frames[2]));
on("zoom-in", "click", () => stage.zoomBy(1.5));
on("zoom-out", "click", () => stage.zoomBy(1 / 1.5));
on("zoom-fit", "click", () => stage.fit());
on("full-check", "click", () => setFull(!now.full));
find("brush").firstElementChild.addEventListener("input", (event) => (stage.radius = Number(event.target.value)));
on("save-open", "click", () => find("save-dialog").showModal());
on("render-open", "click", () => find("render-dialog").showModal());
on("keys-open", "click", () => find("keys-dialog").showModal());
on("clips-open", "click", () => {
  find("clips-dialog").showModal();
  showClips().catch(complain);
});
on("carry", "click", carry);
on("save-graph", "click", () => does("save", { name: find("graph-name").value.trim() }));
on("open-graph", "click", () => does("graph", { name: find("graph-name").value.trim() }));
on("save-still", "click", () => does("still", { frame: now.frame, name: find("still-name").value.trim() }));
on("render-start", "click", startRender);
on("render-cancel", "click", () => does("cancel"));
for (const dialog of document.querySelectorAll("dialog")) {
  for (const button of dialog.querySelectorAll(".close")) button.addEventListener("click", () => dialog.close());
  for (const form of dialog.querySelectorAll("form")) form.addEventListener("submit", (event) => event.preventDefault());
}
for (const name of ["pointerover", "focusin"]) {
  find("sheet").addEventListener(name, (event) => {
    const box = event.target.closest(".control");
    if (box) find("help").textContent = `${box.dataset.help} Takes ${box.dataset.rule}.`;
  });
}

bindKeys({
  tool: setTool,
  purpose: setPurpose,
  view: (number) => {
    const view = Object.keys(declared.words)[number - 1];
    if (view) setView(view);
  },
  frame: (by, end) => setFrame(end === undefined ? now.frame + by * state.clip.frames[2] : state.clip.frames[end]),
  zoom: (factor) => (factor ? stage.zoomBy(factor) : stage.fit()),
  undo: () => does("undo"),
  redo: () => does("redo"),
  solve,
  play,
  full: () => setFull(!now.full),
  step: (by) => {
    const groups = declared.groups;
    const next = groups[(groups.indexOf(sheet.open) + by + groups.length) % groups.length];
    sheet.toggle(next);
    find(`step-${next}-head`).focus();
  },
  person: () => {
    const at = state.people.findIndex((person) => person.suffix === now.person);
    if (state.people.length > 1) doing.choosePerson(state.people[(at + 1) % state.people.length].suffix);
  },
  picture: () => stage.element.focus(),
  plain: () => document.body.classList.toggle("plain"),
  fold: () => document.body.classList.toggle("folded"),
  open: (id) => find(id).click(),
});

setTool("box");
arrive();
adopt(state);
