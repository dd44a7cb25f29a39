// The desk: holds what the server said last, brings the picture up to the newest wish, and wires the page together.

import { bindKeys } from "./keys.js";
import { act, ask, askBeside, askMoving, Refusal, stream, thumbnail } from "./link.js";
import { Reading } from "./reading.js";
import { decoded, gamut, Reel } from "./reel.js";
import { Scopes } from "./scopes.js";
import { Sheet } from "./sheet.js";
import { choices, choose, clamp, find, make } from "./small.js";
import { Stage } from "./stage.js";

const TOOLS = [["look", "Look", "Read and move the picture, marks hidden (H)"], ["box", "Box", "Drag a box (B)"], ["stroke", "Stroke", "Paint a stroke (K)"], ["point", "Point", "Click a point (P)"], ["shape", "Shape", "Drag a shape that limits the key; its handles move, size, turn and feather it (D)"]];
const PURPOSES = [
  ["skin", "+ Skin", "What is drawn is skin (A)"],
  ["keep out", "− Keep out", "What is drawn stays out (X, or hold Alt)"],
  ["neutral", "○ Neutral", "What is drawn is grey or white (N)"],
];
const FORMS = [["ellipse", "Ellipse"], ["box", "Rectangle"], ["polygon", "Polygon", "Click corner after corner; on the first one, or twice in one place, it is closed"]];
const SIDES = [["skin", "Keep in", "The key holds inside the shape alone (A)"], ["keep out", "Keep out", "The key holds outside the shape (X, or hold Alt)"]];
const screenWords = { srgb: "BT.709 as sRGB", 2.2: "gamma 2.2", 2.4: "gamma 2.4" };
const PROXY = [1920, 1080], MOVING = [960, 540];
const BEFORE_THE_KEY = ["balance", "tone", "saturation"]; // steps whose changes wait for the key until the hand rests
const REST = 300; // milliseconds after the last movement until the picture is shown without loss
const KEYED = 110; // milliseconds after which the key follows what lies before it
const EVIDENCE = 120; // milliseconds between two traces of a scope while something moves
const HELD = 320; // milliseconds from which on a key or a button counts as held

const alone = new URLSearchParams(location.search).has("picture"); // the second window: the picture and nothing else
const others = new BroadcastChannel(`desk ${location.host}`);

const declared = await ask("declarations");
let state = await ask("state");

const now = {
  frame: state.clip.frames[0],
  view: "result",
  held: null, // a view that is looked at only as long as a key is held
  person: state.people[0]?.suffix ?? "",
  tool: "box",
  purpose: "skin",
  full: false,
  marks: true,
  moving: false,
  last: false, // what moves lies before the key, so the mattes stay those of before until the hand rests
  lit: null, // a region of a plot whose pixels are looked for, as the server reads it
  screen: remembered("screen", "srgb"),
  span: null, // [in, out]
  loop: true,
};

function remembered(name, fallback) {
  try {
    return localStorage.getItem(name) ?? fallback;
  } catch {
    return fallback;
  }
}

function remember(name, value) {
  try {
    localStorage.setItem(name, value);
  } catch {
    /* a browser that keeps nothing */
  }
}

// --- messages: what was done stands below the controls, what was refused stands where it was asked for ------------

let fading = 0;

function say(words, urgent = false) {
  const open = document.querySelector("dialog[open]");
  if (open && urgent) return sayIn(open, words);
  const box = find("message");
  clearTimeout(fading);
  box.textContent = words;
  box.hidden = !words;
  box.classList.toggle("urgent", urgent);
  box.setAttribute("role", urgent ? "alert" : "status");
  if (!urgent) fading = setTimeout(() => (box.hidden = true), 8000);
}

function sayIn(dialog, words) {
  let box = dialog.querySelector(".trouble");
  if (!box) {
    box = make("p", { class: "trouble", role: "alert" });
    dialog.querySelector(".row:last-of-type").before(box);
  }
  box.textContent = words;
  box.hidden = !words;
}

function quiet() {
  if (find("message").classList.contains("urgent")) find("message").hidden = true;
  for (const box of document.querySelectorAll("dialog .trouble")) box.hidden = true;
}

const complain = (error) => error.status !== 0 && say(error.message, true);

// --- doing ----------------------------------------------------------------------------------------------------

let busy = 0;

/** Have the server do something and show what came of it. `refused` is told the words where it will not. */
async function does(name, body, { silent = false, refused = null } = {}) {
  if (!stream.here) return false;
  busy += silent ? 0 : 1;
  const waiting = setTimeout(() => (find("busy").hidden = busy === 0), 250);
  try {
    const answer = await act(name, body);
    if (!silent) quiet();
    adopt(answer);
    if (answer.message) say(answer.message);
    return true;
  } catch (error) {
    if (!(error instanceof Refusal)) throw error;
    if (error.status === 409) return (await agree(error.message)) && (await does(name, { ...body, replace: true }, { silent, refused }));
    if (error.status) {
      if (!refused?.(error.message)) complain(error);
      show();
    }
    return false;
  } finally {
    clearTimeout(waiting);
    busy -= silent ? 0 : 1;
    if (!busy) find("busy").hidden = true;
  }
}

find("take-over").onclick = () => does("takeover", {});

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

/** Changes go out one request at a time; what waits is put together, the newest value for each control. */
let outbox = {}, underway = {}, gesture = null, sending = false, sentFor = 0;

async function setAll(values, gestureNow) {
  if ((gesture !== gestureNow || sentFor !== now.frame) && Object.keys(outbox).length) await flushed();
  [gesture, sentFor] = [gestureNow, now.frame];
  now.last = Object.keys(values).every((id) => BEFORE_THE_KEY.includes(id));
  if (now.last) toFollow = { id: Object.keys(values)[0], gesture: gestureNow };
  for (const [id, named] of Object.entries(values)) outbox[id] = { ...outbox[id], ...named };
  stir();
  if (sending) return;
  sending = true;
  while (Object.keys(outbox).length) {
    const body = { values: outbox, gesture, frame: sentFor };
    [underway, outbox] = [outbox, {}];
    await does("set", body, { silent: true, refused: (words) => refusedAt(body.values, words) });
    underway = {};
  }
  sending = false;
}

const flushed = () => new Promise((resolve) => {
  const look = () => (sending ? setTimeout(look, 5) : resolve());
  look();
});

const send = (id, name, value, gestureNow) => {
  sheet.fault(id, name, "");
  return setAll({ [id]: { [name]: value } }, gestureNow);
};

function refusedAt(values, words) {
  const [[id, named]] = Object.entries(values);
  return Object.keys(named).some((name) => sheet.fault(id, name, words));
}

/** Something moves: pictures come small and compressed until the hand rests. */
let resting = 0, moved = 0, traced = 0;

function stir() {
  if (!now.moving) leaving.abort();
  now.moving = true;
  moved = performance.now();
  clearTimeout(resting);
  resting = setTimeout(settle, KEYED);
}

/** First the key follows, then the picture is shown without loss; both wait for a picture that is on its way. */
function settle() {
  const since = performance.now() - moved;
  if (following.has("picture")) resting = setTimeout(settle, 40);
  else if (since < REST) {
    now.last = false;
    refresh();
    resting = setTimeout(settle, REST - since);
  } else {
    now.moving = now.last = false;
    refresh();
    followLight();
  }
}

let toFollow = null; // the step before the key that was changed last, and the gesture

/** Once the hand rests: what was solved behind the light is learned and solved anew, and what is by hand stays. */
async function followLight() {
  const changed = toFollow;
  toFollow = null;
  if (changed && Object.keys(state.parts).some((id) => id.startsWith("steer"))) await does("follow", { ...changed, frame: now.frame });
}

// --- whether the desk is there ----------------------------------------------------------------------------------

function presence(here) {
  const away = find("away"), wasAway = document.body.classList.contains("away");
  document.body.classList.toggle("away", !here);
  for (const id of ["side", "hand", "time"]) find(id).inert = !here;
  for (const box of document.querySelectorAll("header .history, header .ends, #views")) box.inert = !here;
  find("stale").hidden = here;
  away.hidden = here;
  if (!here) {
    stop();
    const at = new Date().toLocaleTimeString("en-GB");
    find("away-words").textContent = `The picture is frame ${shownFrame} as it was at ${at}; nothing can be changed until the desk is back. Start \`inkarnat desk\` on the same clip again, and this page goes on.`;
  } else if (wasAway) {
    say("Connected again.");
    Object.assign(painted, { picture: "", original: "", evidence: "" });
    refresh();
  }
}

// --- showing --------------------------------------------------------------------------------------------------

/** What changes beside the work itself, without a new serial number. */
const ASIDE = ["render", "waiting", "task", "autosave", "owner", "graph", "flicker", "cut"];

/** Take over a state, unless a newer one is here already. */
function adopt(fresh) {
  if (fresh.boot === state.boot && fresh.serial < state.serial) return;
  // The stream tells again what the answer to a request has told already.
  if (fresh.boot === state.boot && fresh.serial === state.serial && ASIDE.every((part) => JSON.stringify(fresh[part]) === JSON.stringify(state[part]))) return;
  const moved = fresh.clip.name !== state.clip.name || fresh.boot !== state.boot;
  const replaced = !moved && fresh.plate !== state.plate;
  const again = fresh.clip.name === state.clip.name;
  if (fresh.look !== state.look && again) stir();
  state = fresh;
  if (!state.people.some((person) => person.suffix === now.person)) now.person = state.people[0]?.suffix ?? "";
  if (moved) arrive(again);
  else if (replaced) fitTimeline();
  show();
  if (replaced && state.notices.length) say(state.notices.join(" "), true);
}

function show() {
  const { undo, redo } = state.history;
  for (const [id, what, key] of [["undo", undo, "Ctrl+Z"], ["redo", redo, "Ctrl+Shift+Z"]]) {
    find(id).disabled = !what;
    find(id).title = what ? `${what} (${key})` : key;
  }
  find("clip-name").textContent = state.clip.name;
  document.title = `${state.clip.name} · Inkarnat desk`;
  const told = [];
  if (state.space) told.push(`Footage in ${state.space}, brought to BT.709 for the work; files are written in ${state.space} again.`);
  if (state.seen) told.push(`Seen through ${state.seen}: the picture, the scopes, readings and solves. Files are written without it.`);
  find("seen").hidden = !told.length;
  find("seen").textContent = told.join(" ");
  showScreen();
  find("owner").hidden = state.owner.mine;
  find("owner-words").textContent = state.owner.words;
  const { trouble } = state.autosave;
  find("kept").textContent = trouble ? `Not kept: ${trouble}` : state.graph.saved ? `${state.graph.name} is saved` : "kept as you work";
  find("kept").classList.toggle("trouble", Boolean(trouble));
  find("kept").title = trouble || `Every change goes to ${state.autosave.name} beside the clip.`;
  find("clip-name").title = `${state.clip.name}: ${find("kept").textContent}`;
  sheet.show(state, now, declared.words[now.view]);
  scopes.draw();
  showMarks();
  showRender();
  showTask();
  showFlicker();
  followShots();
  refresh();
}

/** What changes over time, as it is at the frame that is looked at. */
const atFrame = { values: {} };

function followValues() {
  if (!Object.keys(state.keyframes).length) {
    atFrame.values = {};
    return;
  }
  follow("values", () => `${state.boot} ${state.look} ${now.frame}`, async (wanted) => {
    const values = await ask("values", { frame: now.frame });
    painted.values = wanted;
    atFrame.values = values;
    sheet.show(state, now, declared.words[now.view]);
    scopes.draw();
    showMarks();
  });
}

/** A clip has been opened: set the timeline and start at its first frame; `again` keeps the place. */
function arrive(again = false) {
  if (!again) Object.assign(now, { frame: state.clip.frames[0], span: null });
  fitTimeline();
  const stem = state.graph.name.replace(/\.json$/, "");
  const video = !/%0?\d*d|#/.test(state.clip.name) && state.clip.frames[0] !== state.clip.frames[1];
  const suffix = state.clip.name.split(".").at(-1);
  find("graph-name").value = state.graph.name;
  find("still-name").value = `${stem}-still.png`;
  find("stills-name").value = `${stem}-stills`;
  find("look-name").value = `${stem}-light.clf`;
  find("render-output").value = video ? `${stem}-skin.mov` : state.clip.name.replace(/(.*?)([._-]?(%0?\d*d|#+))?\.[^.]+$/, (_, a, b) => `${a}-skin${b || ""}.${suffix}`);
  find("save-where").textContent = `Marks and settings go with the graph; every change is also kept in ${state.autosave.name}, what undo takes back beside it.`;
  if (!again) stage.fit();
  stage.sheets.back = null;
  painted.original = "";
  if (state.notices.length) say(state.notices.join(" "));
}

/** The clip has the frames that it has now: one that was replaced on disk may be shorter. */
function fitTimeline() {
  stop();
  const [first, last, step] = state.clip.frames;
  if (now.span && (now.span[0] < first || now.span[1] > last)) now.span = null;
  now.frame = clamp(now.frame, first, last);
  for (const id of ["frame", "frame-number"]) Object.assign(find(id), { min: first, max: last, step });
  showLength();
}

function showLength(words = "") {
  const [first, last] = state.clip.frames;
  const { rate } = state.clip;
  const [from, to] = now.span ?? [first, last];
  find("length").textContent = words || (now.span ? `${from}–${to} of ${first}–${last}` : `of ${first}–${last}`);
  find("length").title = rate ? `${rate} frames a second` : "";
}

function showMarks() {
  const shapes = (state.shapes[now.person] ?? []).map((id) => {
    const [, side, number] = /^(in|out)(\d+)/.exec(id);
    return { ...doing.values(id), id, side, name: `keep ${side} ${number}` };
  });
  const faces = (state.faces[now.person] ?? []).map((id, i) => {
    const { left_eye, right_eye, nose, left_mouth, right_mouth, keyed, presence } = doing.values(id);
    return { id, name: `face ${i + 1}`, keyed: keyed > 0, there: presence > 0, points: [left_eye, right_eye, nose, left_mouth, right_mouth] };
  });
  stage.setShapes(shapes, faces.filter((face) => face.there));
  showKeyframes();
  stage.setMarks(state.marks.filter((mark) => mark.frame === now.frame && (mark.suffix === now.person || mark.purpose === "neutral")));
  stage.hideMarks(!now.marks || now.tool === "look" || now.held !== null || playing || alone);
  const [first, last] = state.clip.frames;
  const frames = [...new Set(state.marks.map((mark) => mark.frame))];
  const form = JSON.stringify([frames, first, last]);
  if (find("ticks").dataset.form !== form) find("ticks").replaceChildren(...frames.map((frame) => {
    const tick = make("i");
    tick.style.left = `${(100 * (frame - first)) / Math.max(last - first, 1)}%`;
    return tick;
  }));
  find("ticks").dataset.form = form;
  showFrame();
}

function showFrame() {
  for (const id of ["frame", "frame-number"]) if (document.activeElement !== find(id) || id === "frame" || playing) find(id).value = now.frame;
  find("frame").setAttribute("aria-valuetext", `frame ${now.frame}`);
}

// --- pictures, and the evidence behind them: one request of each at a time, always the newest wish ---------------

const painted = { picture: "", original: "", evidence: "", values: "" };
const following = new Set();
let leaving = new AbortController(); // gives up what is shown at rest once something moves
const reel = new Reel();
let shownFrame = now.frame;

const viewNow = () => now.held ?? now.view;

/** The size of what is sent, before it is shrunk. */
function sentSize(moving) {
  const { width, height } = state.clip;
  if (now.full && !moving) return [width, height];
  const box = moving ? MOVING : PROXY;
  const scale = Math.min(box[0] / width, box[1] / height, 1);
  return [width * scale, height * scale];
}

/** How many times smaller than it is sent the picture is shown; what cannot be seen need not travel. */
function shrink(moving) {
  if (now.full && !moving) return 1;
  return clamp(Math.floor(sentSize(moving)[0] / (stage.place.width * (devicePixelRatio || 1))), 1, 16) || 1;
}

/** What is asked of the server for a view of a frame. */
function asked(frame, view, moving) {
  return {
    frame, view, suffix: now.person, screen: now.screen, shrink: shrink(moving), as: moving ? "jpeg" : "png",
    moving: moving ? 1 : undefined, last: moving && now.last ? 1 : undefined, full: now.full && !moving ? 1 : undefined,
    lit: now.lit ?? undefined, gamut: gamut === "srgb" ? undefined : gamut,
  };
}

/** By what a picture is known: as long as this is the same, so is the picture. */
const keyOf = (query) => JSON.stringify([state.boot, state.clip.name, state.plate, query.view === "original" ? "" : state.look, query]);

const views = () => (viewNow() === "split" ? ["result", "original"] : [viewNow()]);

const wish = () => views().map((view) => keyOf(asked(now.frame, view, now.moving))).join();

function refresh() {
  followValues();
  stage.setSize(...sentSize(false));
  stage.setSplit(viewNow() === "split" ? (stage.split ?? 0.5) : null);
  if (painted.picture !== wish()) return void follow("picture", wish, paint);
  told(state.revision);
  if (painted.evidence) read(); // a cut that was found meanwhile is told beside the skin
}

let again = 0; // counts what the scopes want anew for the same picture

const evidence = () => `${painted.picture} ${again} ${state.cut}`;

const read = () => follow("evidence", evidence, async (wanted) => {
  const newer = () => evidence() !== wanted;
  if (now.moving && now.last && performance.now() - traced < EVIDENCE) return void (painted.evidence = wanted);
  traced = performance.now();
  const query = evidenceQuery();
  const signal = now.moving ? undefined : leaving.signal;
  if (!(await scopes.show({ ...query, view: viewNow() }, newer, signal)) || newer()) return;
  if (query.last) return void (painted.evidence = wanted); // skin is read once the key has followed
  await reading.show({ ...query, full: now.full && !now.moving ? 1 : undefined }, signal);
  scopes.setReading(reading.last);
  painted.evidence = wanted;
});

const evidenceQuery = () => ({ frame: now.frame, suffix: now.person, moving: now.moving ? 1 : undefined, last: now.moving && now.last ? 1 : undefined });

/** Bring what is shown up to the newest wish. The picture never waits for the evidence, which follows the picture. */
async function follow(what, wished, work) {
  if (following.has(what) || stream.here === false) return;
  following.add(what);
  for (let tries = 0; painted[what] !== wished() && tries < 3 && stream.here !== false; ) {
    const wanted = wished();
    if (leaving.signal.aborted) leaving = new AbortController();
    try {
      await work(wanted);
      tries = 0;
    } catch (error) {
      if (error.name === "AbortError") continue;
      if (error.status === 204) {
        await new Promise((resolve) => setTimeout(resolve, 60)); // a hand moves, here or on another page
        continue;
      }
      complain(error);
      if (error.status !== 0) painted[what] = wanted;
      tries += 1;
    }
  }
  following.delete(what);
}

async function paint(wanted) {
  if (playing) return void (painted.picture = wanted);
  const { moving, frame } = now;
  const { revision } = state;
  if (moving) await nearest(frame);
  const queries = views().map((view) => asked(frame, view, moving));
  const signal = moving ? undefined : leaving.signal;
  const last = queries.some((query) => query.last);
  const [front, back] = last ? await lastMattes(queries) : await Promise.all(queries.map((query) => reel.get(keyOf(query), query, signal).then(decoded)));
  if (!last) find("old-matte").hidden = true;
  if (back) stage.show(back, "back");
  stage.show(front);
  shownFrame = frame;
  painted.picture = wanted;
  if (!alone) read();
  told(revision);
}

/** Pictures made with the mattes of before: marked as such, and never kept. */
async function lastMattes(queries) {
  const answers = await Promise.all(queries.map((query) => askMoving("frame", query)));
  find("old-matte").hidden = !answers.some(({ stale }) => stale);
  return Promise.all(answers.map(({ blob }) => decoded(blob)));
}

/** While the hand goes through the clip: show what is kept of the nearest frame, at once. */
async function nearest(frame) {
  const near = (at) => views().map((view) => reel.find(keyOf(asked(at, view, true))));
  if (shownFrame === frame || near(frame).every(Boolean)) return;
  const [, , step] = state.clip.frames;
  for (let off = step; off <= 12 * step; off += step) {
    for (const at of [frame - off, frame + off]) {
      const found = near(at);
      if (!found.every(Boolean)) continue;
      const [front, back] = await Promise.all(found.map(decoded));
      if (back) stage.show(back, "back");
      stage.show(front);
      return;
    }
  }
}

/** Tell, once it is on the screen, which revision is painted. */
function told(revision) {
  requestAnimationFrame(() => setTimeout(() => {
    stage.element.dataset.painted = revision;
    document.dispatchEvent(new CustomEvent("painted", { detail: { revision, moving: now.moving, last: now.last, frame: shownFrame } }));
  }));
}

// --- what can be chosen -----------------------------------------------------------------------------------------

function setView(view) {
  now.view = view;
  now.held = null;
  choose(find("views"), view);
  sheet.show(state, now, declared.words[view]);
  labelSplit();
  showMarks();
  share();
  refresh();
}

/** Look at a view as long as something is held; null goes back. */
function hold(view) {
  if (now.held === view) return;
  now.held = view;
  choose(find("views"), viewNow());
  showMarks();
  share();
  refresh();
}

const labelSplit = () => (stage.labels = [declared.words.original, declared.words.result]);

function setTool(tool) {
  now.tool = tool;
  choose(find("tools"), tool);
  find("brush").hidden = tool !== "stroke";
  find("purposes").hidden = tool === "look";
  find("shape-bar").hidden = tool !== "shape";
  if (tool === "shape" && now.purpose === "neutral") now.purpose = "skin";
  choices(find("purposes"), tool === "shape" ? SIDES : PURPOSES, now.purpose, setPurpose);
  stage.setTool(tool);
  showMarks();
}

function setForm(form) {
  stage.form = form;
  choose(find("forms"), form);
}

function setPurpose(purpose) {
  now.purpose = purpose;
  choose(find("purposes"), purpose);
  if (now.tool === "look") setTool("box");
}

function setMarks(shown) {
  now.marks = shown;
  find("marks-check").setAttribute("aria-pressed", String(shown));
  if (shown && now.tool === "look") setTool("box");
  showMarks();
}

function setFrame(frame, moving = false) {
  if (stream.here === false) return showFrame();
  stop();
  const [first, last, step] = state.clip.frames;
  now.frame = clamp(first + Math.round((frame - first) / step) * step, first, last) || first;
  if (moving) stir();
  showMarks();
  share();
  refresh();
}

function setLens(on) {
  stage.magnify(on);
  find("lens").setAttribute("aria-pressed", String(on));
}

const setFull = (full) => {
  now.full = full;
  find("full-check").setAttribute("aria-pressed", String(full));
  refresh();
};

function setScreen(screen) {
  now.screen = screen;
  find("screen").value = screen;
  const wide = gamut === "srgb" ? "" : " This screen shows more colours than sRGB: pictures are converted to its primaries (P3), and colours beyond BT.709 stay.";
  find("screen-words").textContent = `${declared.screens[screen]}${wide}`;
  showScreen();
  remember("screen", screen);
  share();
  refresh();
}

/** State on the button how the picture is shown. */
function showScreen() {
  find("shown-open").textContent = [screenWords[now.screen] ?? now.screen, state.space && `from ${state.space}`, state.seen && `through ${state.seen}`].filter(Boolean).join(", ");
}

function setSurround(surround) {
  document.body.dataset.surround = surround;
  find("surround").value = surround;
  remember("surround", surround);
}

/** Keep the second window beside this one. */
function share() {
  if (!alone) others.postMessage({ frame: now.frame, view: viewNow(), person: now.person, screen: now.screen, lit: now.lit });
}

// --- playing ----------------------------------------------------------------------------------------------------

let playing = 0;

function stop() {
  if (!playing) return;
  playing = 0;
  find("play").setAttribute("aria-pressed", "false");
  find("play").textContent = "Play";
  showLength();
  painted.picture = "";
  showMarks();
  refresh();
}

function play() {
  if (playing) return stop();
  const [first, last] = now.span ?? state.clip.frames;
  if (first === last || stream.here === false) return;
  find("play").setAttribute("aria-pressed", "true");
  find("play").textContent = "Stop";
  const run = (playing = performance.now());
  showMarks();
  runThrough(run).catch((error) => {
    complain(error);
    stop();
  });
}

/** Show every frame from in to out, no faster than the clip's own rate; what is shown once is kept. */
async function runThrough(run) {
  const rate = state.clip.rate || 24;
  const times = [];
  let due = performance.now(), frame = now.frame;
  const after = (at) => {
    const [first, last] = now.span ?? state.clip.frames;
    const next = at + state.clip.frames[2];
    return next > last || next < first ? first : next;
  };
  const [start, end] = now.span ?? state.clip.frames;
  if (frame < start || frame >= end) frame = start;
  const get = (at) => Promise.all(views().map((view) => {
    const query = asked(at, view, true);
    return reel.get(keyOf(query), query);
  }));
  let waiting = get(frame);
  while (playing === run) {
    const [front, back] = await Promise.all((await waiting).map(decoded));
    const next = after(frame);
    waiting = get(next);
    waiting.catch(() => {});
    while (performance.now() < due - 4 && playing === run) await new Promise(requestAnimationFrame);
    if (playing !== run) break;
    if (back) stage.show(back, "back");
    stage.show(front);
    now.frame = shownFrame = frame;
    showFrame();
    share();
    times.push(performance.now());
    if (times.length > 25) times.shift();
    if (times.length > 3 && times.length % 5 === 0) {
      const speed = ((times.length - 1) * 1000) / (times.at(-1) - times[0]);
      find("stage").dataset.speed = speed.toFixed(1);
      showLength(`${speed.toFixed(1)} of ${Number(rate.toFixed(2))} frames/s`);
    }
    due = Math.max(due + 1000 / rate, performance.now() - 500 / rate);
    if (!now.loop && next <= frame) return stop();
    frame = next;
  }
}

function setSpan(which) {
  const [first, last] = state.clip.frames;
  const [from, to] = now.span ?? [first, last];
  const span = which === "in" ? [now.frame, Math.max(to, now.frame)] : [Math.min(from, now.frame), now.frame];
  now.span = span[0] === first && span[1] === last ? null : span;
  showLength();
}

// --- flicker --------------------------------------------------------------------------------------------------------

let worstAt = -1;

/** The figure on its button, the jumps along the timeline; out of date as soon as the settings are others. */
function showFlicker() {
  const { flicker } = state, canvas = find("jumps"), button = find("flicker");
  const fresh = flicker && flicker.suffix === now.person;
  const old = fresh && flicker.look !== state.look;
  button.textContent = fresh ? `Flicker ± ${flicker.angle.toFixed(2)}°${old ? " before" : ""}` : "Flicker";
  button.title = fresh && !old ? `Hue ± ${flicker.angle.toFixed(2)}°, level ± ${(flicker.level * 100).toFixed(2)} %, area ± ${(flicker.area * 100).toFixed(1)} %. ${flicker.worst.length ? `Press to go to the worst frames: ${flicker.worst.join(", ")} (Q).` : "No jump is beyond the limit."}` : "Measure how much the skin jumps from frame to frame (Q)";
  const ratio = devicePixelRatio || 1, wide = Math.round(canvas.clientWidth * ratio), tall = Math.round(canvas.clientHeight * ratio);
  if (!wide) return;
  [canvas.width, canvas.height] = [wide, tall];
  if (!fresh) return;
  const pen = canvas.getContext("2d"), [first, last] = state.clip.frames;
  for (const [frame, size] of flicker.jumps) {
    const x = ((frame - first) / Math.max(last - first, 1)) * wide, high = Math.min(size / 3, 1) * tall;
    pen.fillStyle = size >= 1 ? "#fff" : "#8d8d8d";
    pen.fillRect(x - ratio, tall - high, 2 * ratio, high);
  }
}

/** Go to the next of the worst frames; measure first where what is known is out of date. */
function stepFlicker() {
  const { flicker } = state;
  if (!flicker || flicker.suffix !== now.person || flicker.look !== state.look) {
    worstAt = -1;
    return does("flicker", { suffix: now.person, span: now.span ?? undefined });
  }
  if (!flicker.worst.length) return say("No jump from frame to frame is beyond the limit.");
  worstAt = (worstAt + 1) % flicker.worst.length;
  setFrame(flicker.worst[worstAt]);
  return say(`Jump ${worstAt + 1} of ${flicker.worst.length}, at frame ${flicker.worst[worstAt]}.`);
}

// --- people, clips, saving, rendering ---------------------------------------------------------------------------

/** Add a shape: a polygon with these corners, or one that fills the box between two points. */
function addShape(points, side, shape) {
  const [[x0, y0], [x1, y1]] = points;
  const tall = state.clip.width / state.clip.height;
  const region = shape === "polygon" ? { shape, points, feather: 0.03 } : {
    shape, centre: [(x0 + x1) / 2, (y0 + y1) / 2], feather: 0.05,
    width: Number((Math.abs(x1 - x0) * tall).toFixed(4)), height: Number(Math.abs(y1 - y0).toFixed(4)),
  };
  return does("shape", { suffix: now.person, side, region });
}

/** What can be done with the shape that is taken. */
function showChosen(item) {
  const shape = item && item.shape !== undefined;
  find("follow").disabled = !shape || Boolean(state.task?.state === "running");
  find("unshape").disabled = !item;
  find("unshape").textContent = item ? `Remove ${item.name}` : "Remove";
  find("follow").textContent = shape ? `Follow ${item.name}` : "Follow";
}

const followShape = () => does("track", { id: stage.shapes.chosen, frame: now.frame, span: now.span ?? undefined });

const TASKS = { faces: "Finding faces", track: "Following", flicker: "Measuring", carry: "Carrying", report: "Report", stills: "Drawing" };
let taskSaid = "";

/** How far what runs in the background is; what came of it is said once. */
function showTask() {
  const { task } = state, running = task?.state === "running";
  find("task").hidden = !running;
  if (running) {
    find("task-bar").max = Math.max(task.total, 1);
    find("task-bar").value = task.done;
    find("task-words").textContent = `${TASKS[task.kind] ?? "Working"}: ${task.done} of ${task.total}`;
  }
  if (taskSaid === "running" && !running && task?.message) say(task.message, task.state === "failed");
  taskSaid = task?.state ?? "";
  showChosen(stage.shapes.item);
}

// --- keyframes on the timeline -------------------------------------------------------------------------------------

const MOST_HANDLES = 120;

/** Frames of keyframes of this person and of the whole picture, each with what is set there in words. */
function keyframesHere() {
  const frames = new Map();
  for (const [id, named] of Object.entries(state.keyframes)) {
    const step = state.steps.find((other) => other.id === id);
    const others = state.people.map((p) => p.suffix).filter((suffix) => suffix && suffix !== now.person);
    if (!step || /^face\d/.test(id) || others.some((suffix) => id.endsWith(suffix))) continue;
    if (now.person && !id.endsWith(now.person) && !["balance", "tone", "saturation"].includes(id)) continue;
    if (/^(in|out)\d/.test(id) && now.tool !== "shape") continue;
    for (const [name, at] of Object.entries(named)) {
      for (const frame of at) {
        const words = declared.nodes[step.node].params[name]?.label ?? name;
        frames.set(frame, [...(frames.get(frame) ?? []), words]);
      }
    }
  }
  return frames;
}

function showKeyframes() {
  const frames = keyframesHere(), box = find("keyframes");
  const form = JSON.stringify([[...frames], state.clip.frames]);
  if (box.dataset.form !== form) {
    box.dataset.form = form;
    const held = document.activeElement?.dataset.frame;
    const part = (frame) => `${(100 * (frame - state.clip.frames[0])) / Math.max(state.clip.frames[1] - state.clip.frames[0], 1)}%`;
    const few = frames.size <= MOST_HANDLES;
    box.replaceChildren(...[...frames].sort(([a], [b]) => a - b).map(([frame, words]) => {
      const said = [...new Set(words)].join(", ");
      const item = make(few ? "button" : "i", few ? { type: "button", title: `Frame ${frame}: ${said}. Drag to move it, Delete takes it away.`, "aria-label": `Keyframe at ${frame}: ${said}. Arrows move it, Delete takes it away.`, data: { frame } } : {});
      item.style.left = part(frame);
      return item;
    }));
    if (held !== undefined) box.querySelector(`[data-frame="${held}"]`)?.focus();
  }
  for (const item of box.children) item.classList.toggle("here", Number(item.dataset.frame) === now.frame);
}

function listenToKeyframes() {
  const box = find("keyframes");
  let drag = null;
  const frameAt = (event) => {
    const { left, width } = box.getBoundingClientRect(), [first, last, step] = state.clip.frames;
    return first + Math.round((clamp((event.clientX - left) / width, 0, 1) * (last - first)) / step) * step;
  };
  const move = async (frame, to) => {
    if (to === frame || !(await does("keyframe", { do: "move", suffix: now.person, frame, to }))) return;
    setFrame(to);
  };
  box.addEventListener("pointerdown", (event) => {
    const item = event.target.closest("button");
    if (!item) return;
    event.preventDefault();
    item.focus();
    item.setPointerCapture(event.pointerId);
    drag = { item, frame: Number(item.dataset.frame), to: Number(item.dataset.frame) };
  });
  box.addEventListener("pointermove", (event) => {
    if (!drag) return;
    drag.to = frameAt(event);
    const [first, last] = state.clip.frames;
    drag.item.style.left = `${(100 * (drag.to - first)) / Math.max(last - first, 1)}%`;
  });
  for (const name of ["pointerup", "pointercancel"]) {
    box.addEventListener(name, () => {
      const { frame, to } = drag ?? {};
      drag = null;
      if (frame === undefined) return;
      if (frame === to) setFrame(frame);
      else move(frame, to);
    });
  }
  box.addEventListener("keydown", (event) => {
    const frame = Number(event.target.dataset.frame), step = state.clip.frames[2];
    const by = { ArrowLeft: -step, ArrowRight: step }[event.key];
    if (by) {
      const to = clamp(frame + by * (event.shiftKey ? 10 : 1), state.clip.frames[0], state.clip.frames[1]);
      event.target.dataset.frame = to; // the focus goes with it
      move(frame, to);
    } else if (event.key === "Delete") does("keyframe", { do: "remove", suffix: now.person, frame });
    else if (event.key === "Enter") setFrame(frame);
    else return;
    event.preventDefault();
    event.stopPropagation();
  });
}

/** Go to the keyframe before or after this frame. */
function stepKeyframe(by) {
  const frames = [...keyframesHere().keys()].sort((a, b) => (a - b) * by);
  const next = frames.find((frame) => (frame - now.frame) * by > 0);
  if (next === undefined) return say(by > 0 ? "There is no keyframe after this frame." : "There is no keyframe before this frame.");
  setFrame(next);
}

const solve = (what) => does("solve", { what, frame: now.frame, suffix: now.person });

/** Ask for a name; null where none is given. */
function named(words, fallback) {
  return new Promise((resolve) => {
    const box = find("name-dialog"), input = find("name-given");
    find("name-words").textContent = words;
    input.value = fallback;
    const answer = (name) => {
      box.onclose = null;
      box.close();
      resolve(name);
    };
    find("name-yes").onclick = () => answer(input.value.trim());
    input.onkeydown = (event) => event.key === "Enter" && (event.preventDefault(), answer(input.value.trim()));
    box.onclose = () => resolve(null);
    box.showModal();
    input.select();
  });
}

const doing = {
  send,
  setAll,
  solve,
  reset: (id, name) => does(state.parts[id]?.[name]?.by_hand ? "back-to-solved" : "reset", { id, name }, { silent: true }),
  parts: (id, name) => state.parts[id]?.[name],
  freeze: (frozen) => does("freeze", { suffix: now.person, frozen }),
  accept: (accepted) => does("accept", { suffix: now.person, accepted }),
  unmark: (mark) => does("unmark", { mark }),
  keyframe: (id, name, what) => does("keyframe", { do: what, id, name, frame: now.frame }),
  findFaces: () => does("faces"),
  unface: (id) => does("face", { do: "remove", id }),
  unshape: (id) => does("unshape", { id }),
  goTo: (frame) => setFrame(frame),
  choosePerson(suffix) {
    now.person = suffix;
    share();
    show();
  },
  async addPerson() {
    const name = await named("Whose skin is it?", `Person ${state.people.length + 1}`);
    if (name === null || !(await does("person", { do: "add", name }))) return;
    doing.choosePerson(state.people.at(-1).suffix);
  },
  async renamePerson(suffix) {
    const name = await named("Another name", state.people.find((person) => person.suffix === suffix).name);
    if (name) await does("person", { do: "rename", suffix, name });
  },
  removePerson: (suffix) => does("person", { do: "remove", suffix }),
  person: () => now.person,
  /** The values of a step or target with what is on its way there, or null where there is none. */
  values(id) {
    const suffix = id.startsWith("target") ? id.slice(6) : null;
    const known = suffix === null ? state.steps.find((step) => step.id === id)?.params : state.people.find((person) => person.suffix === suffix)?.target;
    return known ? { ...known, ...atFrame.values[id], ...underway[id], ...outbox[id] } : null;
  },
  atFrame: (id) => atFrame.values[id],
  lit(region) {
    now.lit = region;
    stir();
    refresh();
  },
};

// --- shots ------------------------------------------------------------------------------------------------------

const STATUSES = { off: "■ off", check: "▲ check", "not judged": "○ not judged", holds: "● holds" };
const rows = new Map(); // of the list by name: what was drawn, so that pictures are asked for once
let listed = [], shotsFor = "";

/** Open the shot before or after this one in the list. */
async function stepClip(by) {
  listed = await ask("clips");
  const next = listed[listed.findIndex(({ open }) => open) + by]?.name;
  if (!next) return say(by > 0 ? "This is the last shot of the list." : "This is the first shot of the list.");
  await openClip(next);
}

async function openClip(clip) {
  if (await does("open", { clip })) say(`${clip} is on the desk.`);
}

function toggleShots(shown = find("shots").hidden) {
  find("shots").hidden = !shown;
  find("sheet").hidden = shown;
  find("clips-open").setAttribute("aria-expanded", String(shown));
  shotsFor = "";
  if (shown) showClips().then(() => find("clips").querySelector("[data-open=true] input, button")?.focus()).catch(complain);
}

/** Bring the list up to what is known; ticks stay. */
async function showClips() {
  listed = await ask("clips");
  const items = listed.map((shot) => {
    const { name, open, begun, status } = shot, form = JSON.stringify(shot);
    const known = rows.get(name);
    if (known?.form === form) return known.item;
    const words = STATUSES[status?.grade] ?? status?.grade;
    const about = status ? status.words : begun ? "worked on" : "untouched";
    const tick = make("input", { type: "checkbox", value: name, disabled: open, checked: known?.item.querySelector("input").checked, "aria-label": `Tick ${name}` });
    const picture = make("img", { src: `${thumbnail(name)}&screen=${now.screen}&v=${rows.size}${Date.now()}`, alt: `Middle frame of ${name}`, loading: "lazy" });
    const go = make("button", { type: "button", disabled: open, "aria-label": `Open ${name}`, onclick: () => openClip(name) }, open ? "Here" : "Open");
    const beside = make("button", { type: "button", disabled: open, "aria-label": `${name} beside this one`, onclick: () => setBeside(`clip ${name}`) }, "Beside");
    const item = make("li", { data: { open, name, grade: status?.grade } }, tick, picture,
      make("div", {}, make("b", { title: name }, name), make("span", { class: "status", title: about }, words ? make("b", {}, words) : "", about)), make("div", { class: "shot-do" }, go, beside));
    rows.set(name, { form, item });
    return item;
  });
  const box = find("clips"), held = document.activeElement;
  if (items.some((item, i) => box.children[i] !== item) || box.children.length !== items.length) {
    const top = box.scrollTop;
    box.replaceChildren(...items);
    box.scrollTop = top;
    if (held !== document.activeElement && box.contains(held)) held.focus();
  }
  showBesideChoices();
}

/** The list follows what is carried and opened, as long as it is shown. */
function followShots() {
  const form = JSON.stringify([state.clip.name, state.task?.kind === "carry" && state.task, Boolean(state.render?.state)]);
  if (find("shots").hidden || form === shotsFor) return;
  shotsFor = form;
  showClips().catch(complain);
}

const ticked = () => [...find("clips").querySelectorAll("input:checked")].map((input) => input.value);

async function carry() {
  const clips = ticked();
  if (!clips.length) return say("Tick the shots that the correction should be carried to.", true);
  await does("carry", { clips, frame: now.frame });
}

async function renderTicked() {
  const clips = ticked();
  if (!clips.length) return say("Tick the shots that should be written.", true);
  await does("render-all", { clips });
}

async function report() {
  const name = await named("Name of the report", "skin-report.html");
  if (name) await does("report", { clips: ticked(), name });
}

// --- a picture beside ---------------------------------------------------------------------------------------------

let besideWhat = "";

function showBesideChoices() {
  const marked = state.people.flatMap((person) => {
    const mark = state.marks.find((other) => other.suffix === person.suffix && other.purpose === "skin");
    return mark ? [[`frame ${mark.frame}`, `${person.name}, where marked (${mark.frame})`]] : [];
  });
  const clips = listed.filter(({ open }) => !open).map(({ name }) => [`clip ${name}`, name]);
  const items = [["", "nothing"], ["this", "this frame as it is now"], ...marked, ...clips];
  if (besideWhat.startsWith("kept")) items.push([besideWhat, besideWhat.replace("kept", "frame")]);
  find("beside-what").replaceChildren(...items.map(([value, words]) => make("option", { value }, words)));
  find("beside-what").value = besideWhat;
}

/** Show another picture beside: a clip, a frame of this one, or this frame as it is now; nothing for "". */
async function setBeside(what) {
  const box = find("beside"), [kind, ...rest] = what.split(" ");
  besideWhat = kind === "this" ? `kept ${now.frame}` : what;
  find("pictures").classList.toggle("two", Boolean(what));
  box.hidden = !what;
  showBesideChoices();
  if (!what) return;
  const clip = kind === "clip" ? rest.join(" ") : state.clip.name;
  const frame = kind === "this" ? now.frame : kind === "frame" ? Number(rest[0]) : undefined;
  const words = box.querySelector("span");
  words.textContent = `${clip} is on its way.`;
  try {
    const { blob, about } = await askBeside({ clip, frame, screen: now.screen, view: viewNow() === "original" ? "original" : "result" });
    const before = box.querySelector("img");
    if (before) URL.revokeObjectURL(before.src);
    before?.remove();
    const image = make("img", { src: URL.createObjectURL(blob) });
    box.prepend(image);
    const { reading } = about;
    words.textContent = `${clip}, frame ${about.frame}${reading ? `: ${reading.angle.toFixed(1)}°, chroma/luma ${reading.ratio.toFixed(3)}, level ${Math.round(reading.luma[1] * 100)} %` : ""}`;
    image.alt = words.textContent;
  } catch (error) {
    complain(error);
    setBeside("");
  }
}

async function showVersions() {
  const kept = await ask("versions");
  find("versions").replaceChildren(...kept.map(({ name, kept: when }) => make("li", {},
    make("span", {}, `${name} `, make("span", { class: "quiet" }, new Date(when).toLocaleString("en-GB"))),
    make("button", { type: "button", "aria-label": `Back to ${name}`, onclick: () => does("back-to", { name }) }, "Back to it"))));
}

async function keepVersion() {
  if (!(await does("keep-version", { name: find("version-name").value.trim() }))) return;
  find("version-name").value = "";
  await showVersions();
}

let renderSaid = null;

function showRender() {
  const { render } = state;
  const running = render?.state === "running";
  find("render-progress").hidden = !render;
  find("render-start").textContent = running ? "Wait to be written" : "Render the whole clip";
  const waiting = JSON.stringify(state.waiting);
  if (find("waiting").dataset.form !== waiting) {
    find("waiting").dataset.form = waiting;
    find("waiting").replaceChildren(...state.waiting.map((words, place) => make("li", {}, make("span", {}, `waiting: ${words}`),
      make("button", { type: "button", "aria-label": `Do not write ${words}`, onclick: () => does("unwait", { place }) }, "×"))));
  }
  find("report").hidden = !state.canReport;
  find("render-cancel").disabled = !running;
  find("render-open").textContent = running ? `Rendering ${Math.floor((100 * render.done) / Math.max(render.total, 1))} %${state.waiting.length ? `, ${state.waiting.length} waiting` : ""}` : "Render…";
  if (render) {
    find("render-bar").value = render.total ? render.done / render.total : 0;
    find("render-words").textContent = running ? `${render.done} of ${render.total} frames` : render.message;
    find("render-progress").dataset.state = render.state;
  }
  if (renderSaid === "running" && !running) say(render?.message ?? "");
  renderSaid = render?.state ?? null;
}

const startRender = () => does("render", {
  output: find("render-output").value.trim(),
  matte: find("render-matte").value.trim(),
  frames: find("render-frames").value.trim(),
  codec: find("render-codec").value,
});

// --- the room: what can be made larger and smaller ------------------------------------------------------------------

/** A line between two parts that is dragged or moved by arrow keys; what was chosen is remembered. */
function divides(id, name, direction, sign) {
  const bar = find(id), root = document.documentElement;
  const current = () => parseFloat(getComputedStyle(root).getPropertyValue(name));
  const set = (value) => {
    root.style.setProperty(name, `${Math.round(value)}px`);
    bar.setAttribute("aria-valuenow", String(Math.round(value)));
    remember(name, String(Math.round(value)));
  };
  const [low, high] = direction === "x" ? [250, 620] : [110, 760];
  bar.setAttribute("aria-valuemin", String(low));
  bar.setAttribute("aria-valuemax", String(high));
  const kept = remembered(name, "");
  if (kept) set(Number(kept));
  else bar.setAttribute("aria-valuenow", String(current()));
  let from = null;
  bar.addEventListener("pointerdown", (event) => {
    bar.setPointerCapture(event.pointerId);
    from = [direction === "x" ? event.clientX : event.clientY, current()];
  });
  bar.addEventListener("pointermove", (event) => {
    if (!bar.hasPointerCapture(event.pointerId)) return;
    set(clamp(from[1] + sign * ((direction === "x" ? event.clientX : event.clientY) - from[0]), low, high));
  });
  bar.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1 }[event.key];
    if (!way) return;
    event.preventDefault();
    set(clamp(current() + sign * way * 16, low, high));
  });
}

const fullScreen = () => (document.fullscreenElement ? document.exitFullscreen() : document.documentElement.requestFullscreen());

// --- wiring -----------------------------------------------------------------------------------------------------

const stage = new Stage({
  drawn({ kind, points, radius, away }) {
    const purpose = away && now.purpose === "skin" ? "keep out" : now.purpose;
    if (kind === "shape" || kind === "polygon") return addShape(points, purpose === "keep out" ? "out" : "in", kind === "polygon" ? "polygon" : stage.form);
    return does("mark", { kind, points, radius, purpose, frame: now.frame, suffix: now.person, learn: sheet.atOnce });
  },
  shapes: {
    reshape: (id, values, gestureNow) => setAll({ [id]: values }, gestureNow),
    moveFace: (id, by) => does("face", { do: "move", id, by }),
    remove: (id) => does("unshape", { id }),
    removeFace: (id) => doing.unface(id),
    chosen: (item) => showChosen(item),
  },
  told: (words) => say(words),
  zoomed: () => refresh(),
  under: (x, y) => stream.here && !playing && reading.under({ frame: now.frame, suffix: now.person, view: stage.isBehind(x) ? "original" : viewNow(), at: `${x.toFixed(5)},${y.toFixed(5)}` }),
  left: () => reading.left(),
});
const sheet = new Sheet(declared, doing);
const reading = new Reading(
  (tool, purpose) => {
    setPurpose(purpose);
    setTool(tool);
    stage.element.focus();
  },
  (pixel) => scopes.setPixel(pixel),
);
const scopes = new Scopes(doing);
scopes.again = () => {
  again += 1;
  if (painted.picture && !alone) read();
};

/** Buttons of views also act only as long as they are held. */
let letGo = 0;

function holdable(group) {
  let timer = 0;
  group.addEventListener("pointerdown", (event) => {
    const view = event.target.closest("button")?.dataset.id;
    if (view && view !== now.view) timer = setTimeout(() => hold(view), HELD);
  });
  for (const name of ["pointerup", "pointerleave", "pointercancel"]) {
    group.addEventListener(name, () => {
      clearTimeout(timer);
      if (now.held === null) return;
      hold(null);
      letGo = performance.now(); // the click that follows is part of the holding
    });
  }
}

choices(find("views"), Object.entries(declared.words).map(([id, words], i) => [id, words, i < 9 ? `${words} (${i + 1}; hold to look)` : words]), now.view, (view) => performance.now() - letGo > 60 && setView(view));
holdable(find("views"));
choices(find("tools"), TOOLS, now.tool, setTool);
choices(find("purposes"), PURPOSES, now.purpose, setPurpose);
find("render-codec").append(make("option", { value: "" }, "as suits the file"), ...declared.codecs.map((codec) => make("option", { value: codec }, codec)));
find("screen").append(...Object.keys(declared.screens).sort((a, b) => (a === "srgb" ? -1 : b === "srgb" ? 1 : a - b)).map((id) => make("option", { value: id, title: declared.screens[id] }, screenWords[id] ?? id)));

const on = (id, name, work) => find(id).addEventListener(name, work);
on("undo", "click", () => does("undo"));
on("redo", "click", () => does("redo"));
on("frame", "input", () => setFrame(Number(find("frame").value), true));
on("frame-number", "change", () => (find("frame-number").value === "" ? showFrame() : setFrame(Number(find("frame-number").value))));
on("back", "click", () => setFrame(now.frame - state.clip.frames[2]));
on("forth", "click", () => setFrame(now.frame + state.clip.frames[2]));
on("play", "click", play);
on("set-in", "click", () => setSpan("in"));
on("set-out", "click", () => setSpan("out"));
on("loop", "click", () => {
  now.loop = !now.loop;
  find("loop").setAttribute("aria-pressed", String(now.loop));
});
on("screen", "change", () => setScreen(find("screen").value));
on("surround", "change", () => setSurround(find("surround").value));
on("zoom-in", "click", () => stage.zoomBy(1.5));
on("zoom-out", "click", () => stage.zoomBy(1 / 1.5));
on("zoom-fit", "click", () => stage.fit());
on("full-check", "click", () => setFull(!now.full));
choices(find("forms"), FORMS, "ellipse", setForm);
on("follow", "click", followShape);
on("unshape", "click", () => stage.shapes.remove());
on("task-cancel", "click", () => does("give-up"));
on("lens", "click", () => setLens(stage.lens === null));
matchMedia("(color-gamut: p3)").addEventListener("change", () => location.reload());
on("marks-check", "click", () => setMarks(!now.marks));
on("screen-full", "click", fullScreen);
on("window-open", "click", () => {
  window.open(`${location.pathname}?picture`, "desk-picture", "popup,width=1280,height=720");
  setTimeout(share, 1500);
});
on("away-again", "click", () => stream.again());
find("brush").firstElementChild.addEventListener("input", (event) => (stage.radius = Number(event.target.value)));
on("save-open", "click", () => {
  find("save-dialog").showModal();
  showVersions().catch(complain);
});
on("render-open", "click", () => find("render-dialog").showModal());
on("keys-open", "click", () => find("keys-dialog").showModal());
on("clips-open", "click", () => toggleShots());
on("shots-close", "click", () => {
  toggleShots(false);
  find("clips-open").focus();
});
on("flicker", "click", stepFlicker);
new ResizeObserver(showFlicker).observe(find("track"));
on("shot-before", "click", () => stepClip(-1).catch(complain));
on("shot-after", "click", () => stepClip(1).catch(complain));
on("render-ticked", "click", renderTicked);
on("report", "click", report);
on("beside-what", "change", () => setBeside(find("beside-what").value));
on("beside-close", "click", () => setBeside(""));
on("save-stills", "click", () => does("stills", { frame: now.frame, name: find("stills-name").value.trim() }));
on("save-look", "click", () => does("look-up", { name: find("look-name").value.trim(), part: find("look-part").value, frame: now.frame }));
on("carry", "click", carry);
on("save-graph", "click", () => does("save", { name: find("graph-name").value.trim() }));
on("open-graph", "click", () => does("graph", { name: find("graph-name").value.trim() }));
on("save-still", "click", () => does("still", { frame: now.frame, name: find("still-name").value.trim() }));
on("version-keep", "click", keepVersion);
on("render-start", "click", startRender);
on("render-cancel", "click", () => does("cancel"));
for (const dialog of document.querySelectorAll("dialog")) {
  for (const button of dialog.querySelectorAll(".close")) button.addEventListener("click", () => dialog.close());
  for (const form of dialog.querySelectorAll("form")) form.addEventListener("submit", (event) => event.preventDefault());
  dialog.addEventListener("close", quiet);
}
for (const name of ["pointerover", "focusin"]) {
  find("sheet").addEventListener(name, (event) => {
    const box = event.target.closest(".control");
    if (box) find("help").textContent = `${box.dataset.help} Takes ${box.dataset.rule}.`;
  });
}
others.onmessage = ({ data }) => {
  if (!alone) return data === "hello" ? share() : undefined;
  Object.assign(now, data);
  refresh();
};

bindKeys({
  tool: setTool,
  purpose: setPurpose,
  marks: () => setMarks(!now.marks),
  lens: setLens,
  escape: () => scopes.clearRegion(),
  keyframe: stepKeyframe,
  flicker: stepFlicker,
  view: (number) => {
    const view = Object.keys(declared.words)[number - 1];
    if (view) setView(view);
  },
  hold: (number) => hold(number === null ? null : (Object.keys(declared.words)[number - 1] ?? null)),
  frame: (by, end) => setFrame(end === undefined ? now.frame + by * state.clip.frames[2] : state.clip.frames[end]),
  zoom: (factor) => (factor ? stage.zoomBy(factor) : stage.fit()),
  undo: () => does("undo"),
  redo: () => does("redo"),
  solve,
  play,
  span: setSpan,
  full: () => setFull(!now.full),
  fullScreen,
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
  clip: (by) => stepClip(by).catch(complain),
  beside: () => setBeside(besideWhat ? "" : "this"),
  picture: () => stage.element.focus(),
  plain: () => document.body.classList.toggle("plain"),
  fold: () => scopes.toggle(),
  scope: (which) => {
    scopes.choose(which);
    find(which === "waveform" ? "brightest" : "ring").focus();
  },
  open: (id) => find(id).click(),
}, HELD);

document.body.classList.toggle("plain", alone);
document.body.classList.toggle("second", alone);
divides("divide-side", "--side", "x", 1);
divides("divide-scopes", "--scopes", "y", 1);
listenToKeyframes();
setSurround(remembered("surround", "room"));
labelSplit();
setTool(state.marks.length ? "look" : "box");
arrive();
setScreen(now.screen in declared.screens ? now.screen : "srgb");
show();
stream.begin(adopt, presence);
if (alone) others.postMessage("hello");
