// The stage: paints the picture, zooms and pans it, and turns what is drawn on it into marks.

import { gamut } from "./reel.js";
import { Shapes } from "./shapes.js";
import { clamp, find } from "./small.js";

const NEAREST = 3; // screen pixels a picture pixel from which on single pixels are shown as they are

export class Stage {
  /** @param doing {drawn({kind, points, radius, away}), told(words), zoomed(), under(x, y), left(), shapes} */
  constructor({ drawn, told, zoomed, under, left, shapes }) {
    const hint = (words) => (this.hint.textContent = words);
    this.shapes = new Shapes(this, { ...shapes, told: hint });
    this.form = "ellipse"; // of shapes that are drawn
    this.element = find("stage");
    this.picture = find("picture");
    this.over = find("over");
    this.edge = find("edge");
    this.hint = find("stage-help");
    this.drawn = drawn;
    this.told = told;
    this.zoomed = zoomed;
    this.under = under;
    this.left = left;
    this.hidden = false;
    this.lens = null;
    this.labels = null;
    this.sheets = { front: null, back: null };
    this.size = [16, 9];
    this.zoom = 1;
    this.middle = [0.5, 0.5];
    this.split = null;
    this.tool = "box";
    this.radius = 0.02;
    this.marks = [];
    this.cross = [0.5, 0.5];
    this.crossShown = false;
    this.drawing = null;
    this.pointers = new Map();
    new ResizeObserver(() => {
      this.paint();
      this.zoomed();
    }).observe(this.element);
    this.#listen();
  }

  // --- what is shown ---------------------------------------------------------------------------------------

  /** Show a picture in front, or behind the edge of the split. */
  show(bitmap, place = "front") {
    this.sheets[place]?.close();
    this.sheets[place] = bitmap;
    this.paint();
  }

  /** Set the size of the picture, by which its place and the zoom are found: what is shown may be smaller. */
  setSize(width, height) {
    if (this.size[0] === width && this.size[1] === height) return;
    this.size = [width, height];
    this.element.style.setProperty("--ratio", (width / height).toFixed(4));
    this.paint();
  }

  /** Hide the marks, as long as the picture is judged. */
  hideMarks(hidden) {
    this.hidden = hidden;
    this.paintOver();
  }

  /** Hold a magnifier over the picture, or put it away. */
  magnify(on) {
    const byKeys = this.crossShown ? this.#onStage(this.cross) : null;
    this.lens = on ? (this.lens ?? byKeys ?? this.pointer ?? [this.element.clientWidth / 2, this.element.clientHeight / 2]) : null;
    this.paintOver();
  }

  /** Set where the split lies, in parts of the picture's width; null shows no split. */
  setSplit(part) {
    this.split = part === null ? null : clamp(part, 0, 1);
    this.paint();
  }

  /** Whether the picture behind the split is what shows at a part of its width. */
  isBehind = (x) => this.split !== null && Boolean(this.sheets.back) && x < this.split;

  setMarks(marks) {
    this.marks = marks;
    this.paintOver();
  }

  /** Set the shapes and the faces of the person. */
  setShapes(shapes, faces) {
    this.shapes.set(shapes, faces);
    this.paintOver();
  }

  repaint() {
    this.paintOver();
  }

  setTool(tool) {
    this.tool = tool;
    this.element.dataset.tool = tool;
    this.drawing = null;
    this.paintOver();
  }

  /** The picture's rectangle on the stage in CSS pixels. */
  get place() {
    const { clientWidth: w, clientHeight: h } = this.element;
    const fit = Math.min(w / this.size[0], h / this.size[1]) || 1;
    const scale = fit * this.zoom;
    const [width, height] = [this.size[0] * scale, this.size[1] * scale];
    return { left: w / 2 - this.middle[0] * width, top: h / 2 - this.middle[1] * height, width, height, scale };
  }

  paint() {
    const ratio = devicePixelRatio || 1;
    const [w, h] = [this.element.clientWidth, this.element.clientHeight].map((v) => Math.max(Math.round(v * ratio), 1));
    for (const canvas of [this.picture, this.over]) {
      if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
    }
    const pen = this.picture.getContext("2d", { alpha: true, colorSpace: gamut });
    const at = this.place;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, w, h);
    pen.imageSmoothingEnabled = at.scale < NEAREST;
    pen.imageSmoothingQuality = at.scale * ratio < 0.75 ? "medium" : "low";
    const { front, back } = this.sheets;
    if (front) pen.drawImage(front, at.left, at.top, at.width, at.height);
    this.edge.hidden = this.split === null;
    if (this.split !== null && back) {
      const x = at.left + this.split * at.width;
      pen.save();
      pen.beginPath();
      pen.rect(at.left, at.top, this.split * at.width, at.height);
      pen.clip();
      pen.drawImage(back, at.left, at.top, at.width, at.height);
      pen.restore();
      this.edge.style.left = `${x}px`;
      this.edge.setAttribute("aria-valuenow", String(Math.round(this.split * 100)));
      if (this.labels) {
        this.label(pen, this.labels[0], clamp(x - 10, at.left + 4, at.left + at.width), at.top + 22, "right");
        this.label(pen, this.labels[1], x + 10, at.top + 22, "left");
      }
    }
    this.paintOver();
  }

  /** Words on the picture, on a ground of their own. */
  label(pen, words, x, y, side) {
    pen.font = "13px 'Noto Sans', 'DejaVu Sans', sans-serif";
    const wide = pen.measureText(words).width + 12;
    const left = side === "right" ? x - wide : x;
    if (left < this.place.left - 2 && side === "right") return;
    pen.fillStyle = "rgb(20 20 20 / 80%)";
    pen.fillRect(left, y - 15, wide, 21);
    pen.fillStyle = "#fff";
    pen.fillText(words, left + 6, y);
  }

  /** A place of the picture in CSS pixels of the stage. */
  #onStage([x, y]) {
    const at = this.place;
    return [at.left + x * at.width, at.top + y * at.height];
  }

  #paintLens(pen) {
    const [x, y] = this.lens, r = 110, times = 6;
    const at = this.place;
    const front = this.isBehind((x - at.left) / at.width) ? this.sheets.back : this.sheets.front;
    if (!front) return;
    const scale = front.width / at.width;
    const span = (2 * r) / times;
    pen.save();
    pen.beginPath();
    pen.arc(x, y, r, 0, 7);
    pen.fillStyle = "#222";
    pen.fill();
    pen.clip();
    pen.imageSmoothingEnabled = false;
    pen.drawImage(front, (x - at.left - span / 2) * scale, (y - at.top - span / 2) * scale, span * scale, span * scale, x - r, y - r, 2 * r, 2 * r);
    pen.restore();
    for (const [width, colour] of [[4, "#000"], [2, "#ddd"]]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.beginPath();
      pen.arc(x, y, r, 0, 7);
      pen.stroke();
    }
  }

  paintOver() {
    const ratio = devicePixelRatio || 1;
    const pen = this.over.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, this.over.width, this.over.height);
    if (this.lens) {
      this.#paintLens(pen);
      return;
    }
    if (!this.hidden) for (const mark of this.marks) this.#paintMark(pen, mark);
    if (!this.hidden) this.shapes.paint(pen, this.tool === "shape");
    if (this.drawing) this.#paintMark(pen, { ...this.drawing, purpose: "new" });
    if (this.crossShown) this.#paintCross(pen);
  }

  #paintMark(pen, { kind, points, radius, purpose }) {
    const at = this.place;
    const on = points.map(([x, y]) => [at.left + x * at.width, at.top + y * at.height]);
    const path = new Path2D();
    let thick = 0;
    if (kind === "polygon") on.forEach((p, i) => path[i ? "lineTo" : "moveTo"](...p));
    else if (kind === "shape" && this.form === "ellipse") {
      const [[x0, y0], [x1, y1]] = on;
      path.ellipse((x0 + x1) / 2, (y0 + y1) / 2, Math.abs(x1 - x0) / 2, Math.abs(y1 - y0) / 2, 0, 0, 7);
    } else if ((kind === "box" || kind === "shape") && on.length > 1) path.rect(...on[0], on[1][0] - on[0][0], on[1][1] - on[0][1]);
    else if (kind === "stroke") {
      thick = radius * 2 * at.height;
      on.forEach((p, i) => (i ? path.lineTo(...p) : path.moveTo(...p)));
      if (on.length === 1) path.lineTo(on[0][0] + 0.1, on[0][1]);
    } else path.arc(...on[0], Math.max(0.012 * at.height, 4), 0, 7);
    // Lines tell the purposes apart, not colours: whole for skin, dashed for what stays out, dotted for neutral.
    const dash = { "keep out": [7, 5], neutral: [2, 3] }[purpose] || [];
    pen.lineCap = pen.lineJoin = "round";
    if (thick) {
      pen.setLineDash([]);
      pen.lineWidth = thick;
      pen.strokeStyle = purpose === "keep out" ? "rgb(0 0 0 / 38%)" : "rgb(255 255 255 / 34%)";
      pen.stroke(path);
    }
    for (const [width, colour] of [[3.5, "rgb(0 0 0 / 65%)"], [1.5, "#fff"]]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.setLineDash(width > 2 ? [] : dash);
      pen.stroke(path);
    }
    pen.setLineDash([]);
    const sign = { skin: "+", "keep out": "−", neutral: "○" }[purpose];
    if (!sign) return;
    const [x, y] = on[0];
    pen.font = "600 14px sans-serif";
    pen.lineWidth = 3;
    pen.strokeStyle = "rgb(0 0 0 / 75%)";
    pen.strokeText(sign, x + 5, y - 5);
    pen.fillStyle = "#fff";
    pen.fillText(sign, x + 5, y - 5);
  }

  #paintCross(pen) {
    const at = this.place;
    const [x, y] = [at.left + this.cross[0] * at.width, at.top + this.cross[1] * at.height];
    for (const [width, colour] of [[4, "rgb(0 0 0 / 70%)"], [1.5, "#fff"]]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        pen.moveTo(x + 4 * dx, y + 4 * dy);
        pen.lineTo(x + 15 * dx, y + 15 * dy);
      }
      pen.stroke();
    }
  }

  // --- zoom and pan ----------------------------------------------------------------------------------------

  /** Magnify by a factor about a point of the stage in CSS pixels; its middle where none is given. */
  zoomBy(factor, x = this.element.clientWidth / 2, y = this.element.clientHeight / 2) {
    const held = this.#at(x, y, false);
    this.zoom = clamp(this.zoom * factor, 1, 32);
    const at = this.place;
    this.middle[0] += held[0] - (x - at.left) / at.width;
    this.middle[1] += held[1] - (y - at.top) / at.height;
    this.#settle();
  }

  fit() {
    this.zoom = 1;
    this.middle = [0.5, 0.5];
    this.paint();
    this.zoomed();
  }

  #panBy(dx, dy) {
    const at = this.place;
    this.middle[0] -= dx / at.width;
    this.middle[1] -= dy / at.height;
    this.#settle();
  }

  #settle() {
    if (this.zoom <= 1.001) this.middle = [0.5, 0.5];
    this.middle = this.middle.map((v) => clamp(v, 0, 1));
    this.paint();
    this.zoomed();
  }

  #at(x, y, within = true) {
    const at = this.place;
    const point = [(x - at.left) / at.width, (y - at.top) / at.height];
    return within ? point.map((v) => clamp(v, 0, 1)) : point;
  }

  // --- drawing ---------------------------------------------------------------------------------------------

  #begin(point, away) {
    const kind = this.tool === "shape" && this.form === "polygon" ? "polygon" : this.tool;
    const points = ["box", "shape", "polygon"].includes(kind) ? [point, point] : [point];
    this.drawing = { kind, points, radius: this.radius, away };
    this.paintOver();
  }

  /** Set a corner of the polygon that is drawn; on the first one, or twice in one place, it is closed. */
  #corner(point) {
    const { points } = this.drawing, at = this.place;
    const close = ([x, y]) => Math.hypot((x - point[0]) * at.width, (y - point[1]) * at.height) < 8;
    const set = points.slice(0, -1);
    if (set.length > 2 && (close(set[0]) || close(set.at(-1)))) {
      points.pop();
      this.#end();
    } else if (!close(set.at(-1))) points.push(point);
    this.paintOver();
  }

  #extend(point) {
    const { kind, points } = this.drawing;
    if (kind === "polygon") points[points.length - 1] = point;
    else if (kind === "box" || kind === "shape") points[1] = point;
    else if (kind === "point") points[0] = point;
    else {
      const last = points.at(-1);
      if (Math.hypot(point[0] - last[0], point[1] - last[1]) > 0.002 && points.length < 4000) points.push(point);
    }
    this.paintOver();
  }

  #end() {
    const mark = this.drawing;
    this.drawing = null;
    this.paintOver();
    if (!mark) return;
    const [a, b] = mark.points;
    if ((mark.kind === "box" || mark.kind === "shape") && (Math.abs(a[0] - b[0]) < 0.002 || Math.abs(a[1] - b[1]) < 0.002)) {
      this.told("That box is too small: drag from corner to corner, or take the point tool.");
      return;
    }
    this.drawn(mark);
  }

  #listen() {
    const stage = this.element;
    const inside = (event) => {
      const box = stage.getBoundingClientRect();
      return [event.clientX - box.left, event.clientY - box.top];
    };
    stage.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoomBy(Math.exp(-event.deltaY * 0.0016), ...inside(event));
    }, { passive: false });
    stage.addEventListener("pointerleave", () => {
      this.pointer = null;
      this.left();
    });
    stage.addEventListener("pointerdown", (event) => {
      if (event.target === this.edge || event.target.closest("#edge, #shape-bar, #task") || event.button > 1) return;
      stage.setPointerCapture(event.pointerId);
      this.pointers.set(event.pointerId, inside(event));
      this.crossShown = false;
      this.pinch = null;
      const near = event.button === 0 && this.drawing?.kind !== "polygon" ? this.#near(inside(event)) : null;
      if (this.pointers.size > 1) this.drawing = this.shapes.grabbed = null;
      else if (this.drawing?.kind === "polygon" && event.button === 0) this.#corner(this.#at(...inside(event)));
      else if (near) this.shapes.grab(near, inside(event), event.altKey);
      else if (this.tool !== "look" && event.button === 0) this.#begin(this.#at(...inside(event)), event.altKey);
    });
    stage.addEventListener("pointermove", (event) => {
      this.pointer = inside(event);
      if (this.lens) {
        this.lens = this.pointer;
        this.paintOver();
      }
      if (!this.pointers.size) this.#hover();
      if (this.drawing?.kind === "polygon") this.#extend(this.#at(...inside(event)));
      const before = this.pointers.get(event.pointerId);
      if (!before) return;
      const now = inside(event);
      this.pointers.set(event.pointerId, now);
      if (this.pointers.size === 2) this.#pinch();
      else if (this.shapes.grabbed) this.shapes.dragTo(now);
      else if (this.drawing) this.#extend(this.#at(...now));
      else this.#panBy(now[0] - before[0], now[1] - before[1]);
    });
    for (const name of ["pointerup", "pointercancel"]) {
      stage.addEventListener(name, (event) => {
        if (!this.pointers.delete(event.pointerId)) return;
        if (name === "pointercancel") this.drawing = null;
        this.shapes.drop();
        if (this.drawing?.kind !== "polygon") this.#end();
      });
    }
    this.#listenToEdge(inside);
    stage.addEventListener("keydown", (event) => this.#key(event));
    stage.addEventListener("blur", () => {
      this.crossShown = false;
      this.hint.textContent = "";
      this.paintOver();
    });
  }

  #pinch() {
    const [a, b] = [...this.pointers.values()];
    const span = Math.hypot(a[0] - b[0], a[1] - b[1]);
    const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    if (this.pinch) {
      this.#panBy(middle[0] - this.pinch.middle[0], middle[1] - this.pinch.middle[1]);
      this.zoomBy(span / this.pinch.span, ...middle);
    }
    this.pinch = { span, middle };
  }

  /** The handle of a shape near a point of the stage in CSS pixels. */
  #near = (point) => (this.tool === "shape" && !this.hidden ? this.shapes.near(point) : null);

  #hover() {
    if (this.#near(this.pointer)) this.element.dataset.over = "";
    else delete this.element.dataset.over;
    const [x, y] = this.#at(...this.pointer, false);
    if (x < 0 || y < 0 || x > 1 || y > 1) this.left();
    else this.under(x, y);
  }

  #listenToEdge(inside) {
    const { edge } = this;
    edge.addEventListener("pointerdown", (event) => {
      event.stopPropagation();
      edge.setPointerCapture(event.pointerId);
    });
    edge.addEventListener("pointermove", (event) => {
      if (edge.hasPointerCapture(event.pointerId)) this.setSplit(this.#at(...inside(event))[0]);
    });
    edge.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[event.key];
      const end = { Home: 0, End: 1 }[event.key];
      if (step === undefined && end === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      this.setSplit(end ?? this.split + step * (event.shiftKey ? 0.1 : 0.01));
    });
  }

  /** The picture by keys: arrows move the cross, Enter begins and ends a mark, Escape drops it. */
  #key(event) {
    if (event.target !== this.element || event.ctrlKey || event.metaKey) return;
    if (this.tool === "shape" && !this.drawing && this.shapes.key(event)) {
      event.preventDefault();
      event.stopPropagation();
      this.crossShown = false;
      this.paintOver();
      return;
    }
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (way) {
      const step = event.shiftKey ? 0.05 : 0.008;
      const shape = this.size[0] / this.size[1];
      this.cross = [clamp(this.cross[0] + (way[0] * step) / shape, 0, 1), clamp(this.cross[1] + way[1] * step, 0, 1)];
      if (this.tool === "look") this.#panBy(-way[0] * 40, -way[1] * 40);
      if (this.drawing) this.#extend([...this.cross]);
    } else if (event.key === "Enter") {
      if (this.tool === "look") return;
      if (this.drawing?.kind === "polygon") this.#corner([...this.cross]);
      else if (this.drawing || this.tool === "point") {
        if (!this.drawing) this.#begin([...this.cross], event.altKey);
        this.#end();
      } else this.#begin([...this.cross], event.altKey);
    } else if (event.key === "Escape" && this.drawing) this.drawing = null;
    else return;
    event.preventDefault();
    event.stopPropagation();
    this.crossShown = true;
    this.#keepInSight();
    const [x, y] = this.cross.map((v) => (v * 100).toFixed(1));
    const ends = this.drawing?.kind === "polygon" ? "Enter sets a corner, twice in one place ends it" : "Enter ends it";
    const doing = this.drawing ? `drawing a ${this.drawing.kind}; ${ends}, Escape drops it` : "Enter draws";
    this.hint.textContent = `${x} % across, ${y} % down; ${doing}`;
    this.under(...this.cross);
    if (this.lens) this.lens = this.#onStage(this.cross);
    this.paintOver();
  }

  #keepInSight() {
    if (this.zoom <= 1 || this.tool === "look") return;
    const at = this.place;
    const [x, y] = [at.left + this.cross[0] * at.width, at.top + this.cross[1] * at.height];
    const { clientWidth: w, clientHeight: h } = this.element;
    if (x < 20 || y < 20 || x > w - 20 || y > h - 20) {
      this.middle = [...this.cross];
      this.#settle();
    }
  }
}
