// A region drawn on a scope, by hand or by keys: what lies in it is shown in the picture.

import { clamp } from "./small.js";

const TINY = 6; // pixels that a hand may move while it only points
const DISC = 14; // pixels round the point that is held
const STEP = [3, 15]; // pixels by an arrow key, without and with Shift

const disc = ([x, y]) => Array.from({ length: 24 }, (_, i) => [x + DISC * Math.cos((i * Math.PI) / 12), y + DISC * Math.sin((i * Math.PI) / 12)]);

export class PlotRegion {
  /**
   * @param pane the element of the plot
   * @param axesAt called with x in CSS pixels: {plot, of(x, y), at(a, b), words(a, b)} of what is plotted there
   * @param changed called with the region as the server reads it, or null where there is none
   * @param draw called where the plot should be drawn anew
   */
  constructor(pane, axesAt, changed, draw) {
    Object.assign(this, { pane, axesAt, changed, draw, axes: null, points: [], path: null, cursor: null, corner: null });
    pane.addEventListener("pointerdown", (event) => this.#down(event));
    pane.addEventListener("pointermove", (event) => this.#move(event));
    pane.addEventListener("pointerleave", () => this.#point(null));
    for (const name of ["pointerup", "pointercancel"]) pane.addEventListener(name, () => this.#up());
    pane.addEventListener("keydown", (event) => this.#key(event));
    pane.addEventListener("blur", () => this.#point(null));
  }

  get there() {
    return this.points.length > 2;
  }

  clear() {
    if (!this.there) return;
    this.points = [];
    this.changed(null);
    this.draw();
  }

  #place(event) {
    const box = this.pane.getBoundingClientRect();
    return [clamp(event.clientX - box.left, 0, box.width), clamp(event.clientY - box.top, 0, box.height)];
  }

  #point(place) {
    this.cursor = place;
    this.draw();
  }

  #down(event) {
    if (event.button !== 0 || event.target.closest(".handle, button")) return;
    this.pane.setPointerCapture(event.pointerId);
    this.path = [this.#place(event)];
    this.axes = this.axesAt(this.path[0][0]);
    this.#show(disc(this.path[0]));
  }

  #move(event) {
    const place = this.#place(event);
    this.cursor = event.target.closest(".handle, button") ? null : place;
    if (!this.path) return void this.draw();
    const [x, y] = this.path.at(-1);
    if (Math.hypot(place[0] - x, place[1] - y) < 2) return;
    if (this.path.length < 500) this.path.push(place);
    if (this.#isDrawn()) this.#show(this.path);
  }

  #up() {
    if (!this.path) return;
    const drawn = this.#isDrawn();
    this.path = null;
    if (!drawn) this.clear();
    else this.draw();
  }

  /** Whether the hand has drawn something round, and not only pointed. */
  #isDrawn() {
    if (this.path.length < 3) return false;
    const [wide, tall] = [0, 1].map((i) => Math.max(...this.path.map((p) => p[i])) - Math.min(...this.path.map((p) => p[i])));
    return wide > TINY && tall > TINY;
  }

  #show(places) {
    const every = Math.max(Math.ceil(places.length / 200), 1);
    this.points = places.filter((_, i) => i % every === 0).map(([x, y]) => this.axes.of(x, y));
    this.changed(`${this.axes.plot}:${this.points.map((p) => p.map((v) => v.toFixed(4)).join()).join(";")}`);
    this.draw();
  }

  /** By keys: arrows move the cross, Enter sets one corner of a box and the other, Escape takes it away. */
  #key(event) {
    if (event.target !== this.pane || event.ctrlKey || event.metaKey || event.altKey) return;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const { clientWidth: w, clientHeight: h } = this.pane;
    this.cursor ??= [w / 2, h / 2];
    if (way) {
      const step = STEP[event.shiftKey ? 1 : 0];
      this.cursor = [clamp(this.cursor[0] + way[0] * step, 0, w), clamp(this.cursor[1] + way[1] * step, 0, h)];
    } else if (event.key === "Enter" && this.corner) this.corner = null;
    else if (event.key === "Enter") {
      this.corner = this.cursor;
      this.axes = this.axesAt(this.corner[0]);
    } else if (event.key === "Escape") {
      this.corner = null;
      this.clear();
    } else return;
    event.preventDefault();
    event.stopPropagation();
    if (this.corner) {
      const [[a, b], [c, d]] = [this.corner, this.cursor];
      if (Math.abs(a - c) > 1 && Math.abs(b - d) > 1) this.#show([[a, b], [c, b], [c, d], [a, d]]);
    }
    this.draw();
  }

  /** Words for what lies under the cursor. */
  get words() {
    if (!this.cursor) return "";
    const axes = this.axesAt(this.cursor[0]);
    return axes.words(...axes.of(...this.cursor));
  }

  paint(pen) {
    if (this.there) {
      const path = new Path2D();
      this.points.forEach((p, i) => path[i ? "lineTo" : "moveTo"](...this.axes.at(...p)));
      path.closePath();
      for (const [width, colour] of [[3.5, "#000"], [1.5, "#fff"]]) {
        pen.lineWidth = width;
        pen.strokeStyle = colour;
        pen.stroke(path);
      }
    }
    if (this.cursor && document.activeElement === this.pane) {
      const [x, y] = this.cursor;
      pen.lineWidth = 1.5;
      pen.strokeStyle = "#fff";
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        pen.beginPath();
        pen.moveTo(x + 3 * dx, y + 3 * dy);
        pen.lineTo(x + 10 * dx, y + 10 * dy);
        pen.stroke();
      }
    }
  }
}
