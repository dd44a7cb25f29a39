// The scopes: neutral traces that are magnified in place, the pixel under the cursor, and handles that move the skin.
//
// On the vectorscope lie one ring (the skin's centre), one spoke (the line it should rest on) and, where a saturation
// is asked for, one dot (the person's spot).

import { askPixels } from "./link.js";
import { PlotRegion } from "./plotregion.js";
import { choices, choose, clamp, find, signed } from "./small.js";

const RIMS = [0.64, 0.45, 0.32, 0.22, 0.16, 0.11, 0.08, 0.056]; // chroma toward the left and upper edge
const ORIGIN = [0.6, 0.62]; // where neutral lies in the pane: skin lies above it and to its left
const LEVELS = [-0.1, 1.13]; // of the waveform, as the server plots them
const I_AXIS = 130.55; // +I in BT.709 Cb/Cr
const SKINS = [124.3, 4.2]; // mean and standard deviation of measured skins under D65
const BARS = { R: [1, 0, 0], Y: [1, 1, 0], G: [0, 1, 0], C: [0, 1, 1], B: [0, 0, 1], M: [1, 0, 1] };
const SNAP = 1; // degrees within which the ring takes to the line
const WHICH = [["vectorscope", "Vectorscope"], ["waveform", "Waveform"], ["both", "Both"], ["none", "Off"]];

const GROUND = "#161616", DIM = "#4c4c4c", MID = "#8d8d8d", INK = "#e8e8e8";

const wrapped = (angle) => ((((angle + 180) % 360) + 360) % 360) - 180;
const turned = (angle) => [Math.cos((angle * Math.PI) / 180), Math.sin((angle * Math.PI) / 180)];

// BT.709-6, items 3.2 and 3.3.
function chroma([r, g, b]) {
  const y = 0.2126 * r + 0.7152 * g + 0.0722 * b;
  return [(b - y) / 1.8556, (r - y) / 1.5748];
}

/** Pixels from neutral for a chroma at the rim: skin, above and to the left, stays within the pane. */
const reachOf = (wide, tall) => Math.min(ORIGIN[0] * wide, 1.15 * ORIGIN[1] * tall);

/** A grey plane as something that can be drawn. */
function sheetOf(pixels, width, height, from = 0) {
  const sheet = new OffscreenCanvas(width, height);
  const data = new ImageData(width, height);
  for (let i = 0; i < width * height; i += 1) {
    const v = pixels[from + i];
    data.data[4 * i] = data.data[4 * i + 1] = data.data[4 * i + 2] = 255;
    data.data[4 * i + 3] = v;
  }
  sheet.getContext("2d").putImageData(data, 0, 0);
  return sheet;
}

export class Scopes {
  /** @param doing {setAll(values, gesture), lit(region or null), values(id), person()} */
  constructor(doing) {
    this.doing = doing;
    this.which = "vectorscope";
    this.keyed = true;
    this.rim = 3;
    this.suits = true;
    this.traces = {};
    this.about = {};
    this.reading = null;
    this.pixel = null;
    this.drag = null;
    this.gestures = 0;
    this.again = () => {};
    choices(find("scope-which"), WHICH, this.which, (which) => this.choose(which));
    find("scope-of").onclick = () => this.setKeyed(!this.keyed);
    find("scope-in").onclick = () => this.magnify(1);
    find("scope-out").onclick = () => this.magnify(-1);
    for (const id of ["vectorscope", "waveform"]) new ResizeObserver(() => this.#resized()).observe(find(id));
    this.regions = {};
    this.#listen();
    this.#regions();
    this.choose(this.which);
  }

  choose(which) {
    this.which = which;
    choose(find("scope-which"), which);
    find("scopes").dataset.which = which;
    document.body.classList.toggle("folded", which === "none");
    for (const id of ["scope-in", "scope-out"]) find(id).disabled = which === "waveform" || which === "none";
    this.#resized();
  }

  toggle() {
    if (this.which === "none") this.choose(this.before ?? "vectorscope");
    else {
      this.before = this.which;
      this.choose("none");
    }
  }

  setKeyed(keyed) {
    this.keyed = keyed;
    find("scope-of").setAttribute("aria-pressed", String(keyed));
    this.again();
  }

  magnify(by) {
    this.suits = false;
    this.rim = clamp(this.rim + by, 0, RIMS.length - 1);
    this.draw();
    this.again();
  }

  #resized() {
    this.draw();
    clearTimeout(this.settling);
    this.settling = setTimeout(() => this.again(), 120);
  }

  shown() {
    return this.which === "both" ? ["vectorscope", "waveform"] : this.which === "none" ? [] : [this.which];
  }

  /** Fetch and draw what is shown; stops, and says so, once something newer is painted. */
  async show(query, newer, signal) {
    for (const which of this.shown()) {
      if (newer()) return false;
      const { wide, tall, side } = this.#shape(which);
      const shape = which === "vectorscope" ? { wide: side, tall: side, rim: (RIMS[this.rim] * side) / 2 / reachOf(wide, tall) } : { wide, tall };
      if (wide < 40 || tall < 40) continue;
      const { width, height, pixels, headers } = await askPixels("plot", { ...query, which, ...shape, of: this.keyed ? "skin" : "all" }, signal);
      const count = Math.floor(pixels.length / (width * height));
      this.traces[which] = { rim: RIMS[this.rim], sheets: Array.from({ length: count }, (_, i) => sheetOf(pixels, width, height, i * width * height)) };
      this.about[which] = JSON.parse(headers.get("x-about"));
      find(which).dataset.of = this.keyed ? "skin" : "all";
      this.draw();
    }
    return true;
  }

  setReading(reading) {
    this.reading = reading;
    const chroma = this.skin?.chroma;
    if (chroma && this.suits) {
      // At first the plane is magnified so that the skin lies well within; afterwards as the person likes it.
      this.suits = false;
      const fit = RIMS.findLastIndex((rim) => chroma < 0.55 * rim);
      if (fit >= 0 && fit !== this.rim) {
        this.rim = fit;
        this.again();
      }
    }
    this.draw();
  }

  setPixel(pixel) {
    this.pixel = pixel;
    this.draw();
  }

  /** Pixels of a pane's canvas; `side` of the square around neutral that fills it. */
  #shape(which) {
    const pane = find(which), ratio = devicePixelRatio || 1;
    const wide = Math.round(pane.clientWidth * ratio), tall = Math.round(pane.clientHeight * ratio);
    const reach = Math.max(ORIGIN[0] * wide, (1 - ORIGIN[0]) * wide, ORIGIN[1] * tall, (1 - ORIGIN[1]) * tall);
    return { wide, tall, ratio, side: clamp(2 * Math.ceil(reach), 64, 1600) };
  }

  // --- drawing ----------------------------------------------------------------------------------------------

  draw() {
    for (const which of this.shown()) {
      const canvas = find(which).firstElementChild, shape = this.#shape(which);
      if (!shape.wide || !shape.tall) continue;
      if (canvas.width !== shape.wide || canvas.height !== shape.tall) [canvas.width, canvas.height] = [shape.wide, shape.tall];
      const pen = canvas.getContext("2d");
      pen.setTransform(1, 0, 0, 1, 0, 0);
      pen.fillStyle = GROUND;
      pen.fillRect(0, 0, shape.wide, shape.tall);
      pen.setTransform(shape.ratio, 0, 0, shape.ratio, 0, 0);
      pen.font = "12.5px 'Noto Sans', 'DejaVu Sans', sans-serif";
      if (which === "vectorscope") this.#drawPlane(pen, shape);
      else this.#drawLevels(pen, shape);
    }
  }

  /** The plane in CSS pixels: neutral's place, pixels for a chroma of 1, and both ways between. */
  get plane() {
    const pane = find("vectorscope");
    const [w, h] = [pane.clientWidth, pane.clientHeight];
    const [x0, y0] = [w * ORIGIN[0], h * ORIGIN[1]];
    const scale = reachOf(w, h) / RIMS[this.rim];
    return {
      w, h, x0, y0, scale,
      at: (cb, cr) => [x0 + cb * scale, y0 - cr * scale],
      polar: (angle, c) => [x0 + turned(angle)[0] * c * scale, y0 - turned(angle)[1] * c * scale],
      of: (x, y) => [(x - x0) / scale, (y0 - y) / scale],
    };
  }

  #drawPlane(pen, { wide, ratio, side }) {
    const p = this.plane, far = p.w + p.h;
    const wedge = (from, to, fill) => {
      pen.fillStyle = fill;
      pen.beginPath();
      pen.moveTo(p.x0, p.y0);
      for (const angle of [from, to]) pen.lineTo(p.x0 + turned(angle)[0] * far, p.y0 - turned(angle)[1] * far);
      pen.fill();
    };
    for (const [spread, fill] of [[2, "#202020"], [1, "#292929"]]) wedge(SKINS[0] - spread * SKINS[1], SKINS[0] + spread * SKINS[1], fill);
    pen.lineWidth = 1;
    pen.strokeStyle = DIM;
    line(pen, 0, p.y0, p.w, p.y0);
    line(pen, p.x0, 0, p.x0, p.h);
    const step = [0.4, 0.2, 0.1, 0.05, 0.02].find((s) => s * 1.9 < RIMS[this.rim]) ?? 0.02;
    for (let c = step; c * p.scale < far; c += step) {
      pen.beginPath();
      pen.arc(p.x0, p.y0, c * p.scale, 0, 7);
      pen.stroke();
      const [x] = p.at(c, 0);
      if (x < p.w - 24) words(pen, String(Number(c.toFixed(3))), x + 3, p.y0 + 13, MID);
      pen.lineWidth = 1;
      pen.strokeStyle = DIM;
    }
    const trace = this.traces.vectorscope;
    if (trace) {
      const drawn = (side / ratio) * (trace.rim / RIMS[this.rim]);
      pen.imageSmoothingEnabled = true;
      pen.drawImage(trace.sheets[0], p.x0 - drawn / 2, p.y0 - drawn / 2, drawn, drawn);
    }
    this.#drawBars(pen, p);
    pen.setLineDash([5, 4]);
    pen.lineWidth = 1;
    pen.strokeStyle = MID;
    this.#ray(pen, p, I_AXIS, far);
    pen.setLineDash([]);
    this.#named(pen, p, "+I", I_AXIS, -1);
    const { target } = this;
    if (target) {
      pen.lineWidth = 2;
      pen.strokeStyle = INK;
      this.#ray(pen, p, target.angle, far);
      this.#named(pen, p, `${target.angle.toFixed(1)}°`, target.angle, 1);
      this.#place("spoke", this.#onSpoke(p, target.angle));
    } else find("spoke").hidden = true;
    this.#drawSkin(pen, p);
    if (this.pixel) {
      const [x, y] = p.at(this.pixel.cb, this.pixel.cr);
      for (const [width, colour] of [[4, "#000"], [1.5, "#fff"]]) {
        pen.lineWidth = width;
        pen.strokeStyle = colour;
        line(pen, x - 7, y, x + 7, y);
        line(pen, x, y - 7, x, y + 7);
      }
    }
    this.regions.vectorscope?.paint(pen);
    if (!trace || wide < 40) words(pen, "no trace yet", 8, p.h - 40, MID);
    else if (!this.drag) words(pen, this.regions.vectorscope?.words ?? "", 8, p.h - 40, INK);
  }

  #ray(pen, p, angle, far) {
    line(pen, p.x0, p.y0, p.x0 + turned(angle)[0] * far, p.y0 - turned(angle)[1] * far);
  }

  /** Where a ray leaves the pane, drawn in by some pixels. */
  #end(p, angle, inset) {
    const [dx, dy] = turned(angle);
    const reach = Math.min(dx < 0 ? p.x0 / -dx : dx > 0 ? (p.w - p.x0) / dx : Infinity, dy > 0 ? p.y0 / dy : dy < 0 ? (p.h - p.y0) / -dy : Infinity);
    const r = Math.max(reach - inset, 20);
    return [p.x0 + dx * r, p.y0 - dy * r];
  }

  #onSpoke = (p, angle) => this.#end(p, angle, 22);

  #named(pen, p, text, angle, side) {
    const [x, y] = this.#end(p, angle, 10);
    const wide = pen.measureText(text).width;
    words(pen, text, clamp(side > 0 ? x + 12 : x - wide - 12, 2, p.w - wide - 2), clamp(y + 6, 14, p.h - 4), INK);
  }

  #drawBars(pen, p) {
    pen.lineWidth = 1;
    pen.strokeStyle = MID;
    for (const [letter, rgb] of Object.entries(BARS)) {
      const [cb, cr] = chroma(rgb);
      const [x, y] = p.at(cb * 0.75, cr * 0.75);
      if (x < 10 || y < 10 || x > p.w - 10 || y > p.h - 10) continue;
      pen.strokeRect(x - 4.5, y - 4.5, 9, 9);
      words(pen, letter, x + 8, y + 4, MID);
    }
  }

  /** The target as a whole angle, or null where nobody is steered. */
  get target() {
    const values = this.doing.values(`target${this.doing.person()}`);
    return values ? { angle: values.angle + values.bias, ratio: values.ratio || null, ...(this.drag?.target ?? {}) } : null;
  }

  /** Where the skin's centre lies: angle and chroma; while the ring is dragged, where it is held. */
  get skin() {
    if (this.drag?.skin) return this.drag.skin;
    const now = this.reading?.after;
    if (!now) return null;
    return { angle: now.angle, chroma: now.ratio * Math.max(now.luma[1] - now.black, 0) };
  }

  #drawSkin(pen, p) {
    const { skin, target } = this;
    const there = Boolean(skin && this.reading?.after);
    // What is shown is not hidden for a moment: it would lose the focus.
    if (!there || !this.#steered()) find("ring").hidden = true;
    if (!there || !target?.ratio) find("dot").hidden = true;
    if (!there) return;
    const span = this.drag?.span ?? skin.chroma / Math.max(this.reading.after.ratio, 1e-4);
    if (target?.ratio) this.#spot(pen, p.polar(target.angle, target.ratio * span));
    const [x, y] = p.polar(skin.angle, skin.chroma);
    for (const [width, colour] of [[5, "#000"], [2, "#fff"]]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.beginPath();
      pen.arc(x, y, 8, 0, 7);
      pen.stroke();
    }
    if (this.drag?.words) words(pen, this.drag.words, 8, 18, INK);
    if (this.#steered()) this.#place("ring", [x, y]);
  }

  #spot(pen, [x, y]) {
    pen.fillStyle = "#000";
    pen.beginPath();
    pen.arc(x, y, 5.5, 0, 7);
    pen.fill();
    pen.fillStyle = "#fff";
    pen.beginPath();
    pen.arc(x, y, 3.5, 0, 7);
    pen.fill();
    this.#place("dot", [x, y]);
  }

  #place(id, [x, y]) {
    const handle = find(id), pane = handle.parentElement;
    handle.hidden = x < 0 || y < 0 || x > pane.clientWidth || y > pane.clientHeight;
    handle.style.left = `${x}px`;
    handle.style.top = `${y}px`;
    handle.setAttribute("aria-label", this.#label(id));
  }

  #label(id) {
    const steer = this.#steered(), { target } = this;
    if (id === "ring") return `Skin: turn ${signed(steer.angle, 1)}°, saturation ${steer.saturation.toFixed(2)}. Left and right turn, up and down change the saturation.`;
    if (id === "spoke") return `Line that the skin rests on, ${target.angle.toFixed(1)}°. Left and right turn it, the picture follows.`;
    if (id === "dot") return `The person's spot, chroma to luma ${target.ratio}. Up and down change it, the picture follows.`;
    const [low, high] = this.about.waveform.ends;
    return `${id === "darkest" ? "Darkest" : "Brightest"} level, ${Math.round((id === "darkest" ? low : high) * 100)} %. Up and down move it.`;
  }

  #steered = () => this.doing.values(`steer${this.doing.person()}`);

  #drawLevels(pen, { ratio }) {
    const pane = find("waveform"), [w, h] = [pane.clientWidth, pane.clientHeight];
    const y = (level) => ((LEVELS[1] - level) / (LEVELS[1] - LEVELS[0])) * h;
    const trace = this.traces.waveform, signals = this.about.waveform?.signals ?? [];
    trace?.sheets.forEach((sheet, i) => {
      const wide = w / trace.sheets.length;
      pen.drawImage(sheet, i * wide, 0, wide, h);
      if (signals.length > 1) words(pen, signals[i].toUpperCase(), i * wide + 34, 14, MID);
    });
    for (const level of [0, 0.25, 0.5, 0.75, 1]) {
      pen.lineWidth = 1;
      pen.strokeStyle = level === 0 || level === 1 ? MID : DIM;
      line(pen, 30, Math.round(y(level)) + 0.5, w, Math.round(y(level)) + 0.5);
      words(pen, String(level * 100), 4, y(level) + 4, MID);
    }
    pen.lineWidth = 1;
    pen.strokeStyle = MID;
    pen.setLineDash([6, 4]);
    for (const level of [-0.05, 1.05]) line(pen, 30, y(level), w, y(level)); // EBU R 103, tolerance
    pen.setLineDash([]);
    if (this.pixel) {
      const at = y(this.pixel.luma);
      pen.strokeStyle = "#fff";
      line(pen, 30, at, w, at);
      const count = Math.max(signals.length, 1);
      for (let i = 0; i < count; i += 1) {
        const level = signals.length > 1 ? y(this.pixel.rgb[i]) : at, x = ((i + this.pixel.part) * w) / count;
        for (const [width, colour] of [[4, "#000"], [1.5, "#fff"]]) {
          pen.lineWidth = width;
          pen.strokeStyle = colour;
          line(pen, x - 6, level, x + 6, level);
          line(pen, x, level - 6, x, level + 6);
        }
      }
    }
    this.regions.waveform?.paint(pen);
    if (!this.drag && this.regions.waveform?.words) words(pen, this.regions.waveform.words, 34, h - 40, INK);
    const ends = this.drag?.ends ?? this.about.waveform?.ends;
    const can = this.doing.values("tone") && ends && ends.every((end) => end !== null);
    for (const [id, i] of [["darkest", 0], ["brightest", 1]]) {
      find(id).hidden = !can;
      if (!can) continue;
      pen.strokeStyle = INK;
      pen.lineWidth = 2;
      line(pen, w - 44, y(ends[i]), w, y(ends[i]));
      this.#place(id, [w - 22, clamp(y(ends[i]), 12, h - 12)]);
    }
    if (this.drag?.ends) words(pen, this.drag.words, 34, h - 8, INK);
    return ratio;
  }

  // --- handles ----------------------------------------------------------------------------------------------

  #listen() {
    const moves = { ring: this.#moveRing, spoke: this.#moveSpoke, dot: this.#moveDot, darkest: this.#moveLevel, brightest: this.#moveLevel };
    for (const [id, move] of Object.entries(moves)) {
      const handle = find(id);
      const place = (event) => {
        const box = handle.parentElement.getBoundingClientRect();
        return [event.clientX - box.left, event.clientY - box.top];
      };
      handle.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        handle.setPointerCapture(event.pointerId);
        this.#begin(id, place(event));
        event.stopPropagation();
      });
      handle.addEventListener("pointermove", (event) => {
        if (this.drag && handle.hasPointerCapture(event.pointerId)) move(place(event), event);
      });
      for (const name of ["pointerup", "pointercancel"]) handle.addEventListener(name, () => this.#drop());
      handle.addEventListener("keydown", (event) => this.#step(id, event));
    }
    const pane = find("vectorscope");
    pane.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.magnify(event.deltaY < 0 ? 1 : -1);
    }, { passive: false });
  }

  /** Regions that are drawn on the plots, one at a time. */
  #regions() {
    const changed = (which) => (drawn) => {
      if (drawn) for (const [other, region] of Object.entries(this.regions)) if (other !== which) region.points = [];
      find("scope-clear").hidden = !drawn;
      this.doing.lit(drawn);
    };
    const plane = () => {
      const p = this.plane;
      const words = (cb, cr) => `${((((Math.atan2(cr, cb) * 180) / Math.PI) + 360) % 360).toFixed(1)}°, chroma ${Math.hypot(cb, cr).toFixed(3)}`;
      return { plot: "chroma", of: p.of, at: p.at, words };
    };
    const level = (x) => {
      const { clientWidth: w, clientHeight: h } = find("waveform");
      const signals = this.about.waveform?.signals ?? ["luma"], wide = w / signals.length;
      const i = clamp(Math.floor(x / wide), 0, signals.length - 1), span = LEVELS[1] - LEVELS[0];
      const of = (px, py) => [clamp((px - i * wide) / wide, 0, 1), LEVELS[1] - (py / h) * span];
      const at = (part, v) => [(i + part) * wide, ((LEVELS[1] - v) / span) * h];
      return { plot: signals[i], of, at, words: (part, v) => `${(v * 100).toFixed(1)} %` };
    };
    const draw = () => this.draw();
    this.regions = {
      vectorscope: new PlotRegion(find("vectorscope"), plane, changed("vectorscope"), draw),
      waveform: new PlotRegion(find("waveform"), level, changed("waveform"), draw),
    };
    find("scope-clear").onclick = () => this.clearRegion();
  }

  clearRegion() {
    for (const region of Object.values(this.regions)) region.clear();
  }

  #begin(id, at = null) {
    const person = this.doing.person(), tone = this.doing.values("tone");
    this.gestures += 1;
    this.drag = {
      id, person, gesture: `${id} ${performance.now().toFixed(0)} ${this.gestures}`, at,
      steer: { ...this.#steered() }, goal: { ...this.doing.values(`target${person}`) }, from: this.skin && { ...this.skin },
      span: this.skin && this.reading?.after ? this.skin.chroma / Math.max(this.reading.after.ratio, 1e-4) : 1,
      tone: tone && { ...tone }, was: this.about.waveform?.ends,
    };
  }

  #drop() {
    // The ring stays where it was dropped until the reading of what came of it is there.
    this.drag = null;
    this.draw();
    this.again();
  }

  #send(values) {
    this.doing.setAll(values, this.drag.gesture);
    this.draw();
  }

  /** What turn and saturation bring the skin from where it was to an angle and a chroma. */
  #toward(angle, ratio) {
    const { steer } = this.drag, amount = steer.amount || 1;
    const turn = clamp(steer.angle + wrapped(angle) / amount, -180, 180);
    const was = 1 + (steer.saturation - 1) * amount;
    const saturation = clamp(1 + (was * ratio - 1) / amount, 0, 4);
    return { angle: Number(turn.toFixed(2)), saturation: Number(saturation.toFixed(4)), amount };
  }

  #moveRing = ([x, y], event) => {
    const p = this.plane, { from, person } = this.drag;
    const [cb, cr] = p.of(x, y);
    let angle = (Math.atan2(cr, cb) * 180) / Math.PI;
    let chroma = event.shiftKey ? from.chroma : Math.hypot(cb, cr);
    const { target } = this;
    if (target && !event.altKey && Math.abs(wrapped(angle - target.angle)) < SNAP) angle = target.angle;
    if (target?.ratio && !event.altKey && Math.abs(chroma - target.ratio * this.drag.span) * p.scale < 6) chroma = target.ratio * this.drag.span;
    const set = this.#toward(angle - from.angle, chroma / Math.max(from.chroma, 1e-4));
    this.drag.skin = { angle, chroma };
    this.drag.words = `turn ${signed(set.angle, 1)}°, saturation × ${set.saturation.toFixed(2)}`;
    this.#send({ [`steer${person}`]: set });
  };

  #moveSpoke = ([x, y]) => {
    const [cb, cr] = this.plane.of(x, y);
    this.#rest((Math.atan2(cr, cb) * 180) / Math.PI);
  };

  /** Let the skin rest at another angle: the target turns, and the skin with it. */
  #rest(angle) {
    const { goal, person, steer } = this.drag;
    const by = clamp(wrapped(angle - goal.angle - goal.bias), -90 - goal.bias, 90 - goal.bias);
    const bias = Number((goal.bias + by).toFixed(2));
    const change = { [`target${person}`]: { bias } };
    if (steer.angle !== undefined) change[`steer${person}`] = { angle: this.#toward(by, 1).angle };
    this.drag.target = { angle: goal.angle + bias };
    this.#send(change);
  }

  #moveDot = ([x, y]) => {
    const [cb, cr] = this.plane.of(x, y);
    this.#reach(Math.hypot(cb, cr) / this.drag.span);
  };

  /** Let the skin reach another chroma/luma: the target's, and the skin's with it. */
  #reach(ratio) {
    const { goal, person } = this.drag;
    const wanted = Number(clamp(ratio, 0.005, 2).toFixed(4));
    const { saturation } = this.#toward(0, wanted / goal.ratio);
    this.drag.target = { ratio: wanted };
    this.#send({ [`target${person}`]: { ratio: wanted }, [`steer${person}`]: { saturation } });
  }

  #moveLevel = ([, y]) => {
    const h = find("waveform").clientHeight;
    this.#level(LEVELS[1] - (y / h) * (LEVELS[1] - LEVELS[0]));
  };

  /** Bring the darkest or the brightest level of the picture to another one; the other end stays. */
  #level(level) {
    const { id, was, tone } = this.drag;
    const dark = id === "darkest";
    const [low, high] = dark ? [Math.min(level, was[1] - 0.05), was[1]] : [was[0], Math.max(level, was[0] + 0.05)];
    const range = tone.white - tone.black;
    const [a, b] = was.map((v) => tone.black + v * range); // the levels before black and white
    const fresh = (b - a) / (high - low);
    const black = clamp(a - low * fresh, -1, 1);
    const white = clamp(black + fresh, black + 0.01, 4);
    this.drag.ends = [low, high];
    this.drag.words = `${dark ? "darkest" : "brightest"} ${((dark ? low : high) * 100).toFixed(1)} %`;
    this.#send({ tone: { black: Number(black.toFixed(4)), white: Number(white.toFixed(4)) } });
  }

  /** A handle by keys: one step, with Shift ten. */
  #step(id, event) {
    const way = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (!way) return;
    event.preventDefault();
    event.stopPropagation();
    const times = event.shiftKey ? 10 : 1;
    this.#begin(id);
    const { steer, goal, person, was } = this.drag;
    if (id === "ring") {
      const set = this.#toward(way[0] * 0.2 * times, 1 + way[1] * 0.01 * times);
      this.#send({ [`steer${person}`]: { angle: clamp(set.angle, -180, 180), saturation: set.saturation } });
    } else if (id === "spoke") this.#rest(goal.angle + goal.bias + (way[0] || way[1]) * 0.2 * times);
    else if (id === "dot") this.#reach(goal.ratio * (1 + (way[1] || -way[0]) * 0.01 * times));
    else this.#level((id === "darkest" ? was[0] : was[1]) + (way[1] || -way[0]) * 0.005 * times);
    this.drag = null;
    return steer;
  }
}

function line(pen, x0, y0, x1, y1) {
  pen.beginPath();
  pen.moveTo(x0, y0);
  pen.lineTo(x1, y1);
  pen.stroke();
}

function words(pen, text, x, y, colour) {
  pen.lineWidth = 3;
  pen.strokeStyle = GROUND;
  pen.strokeText(text, x, y);
  pen.fillStyle = colour;
  pen.fillText(text, x, y);
}
