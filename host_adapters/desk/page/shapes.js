// Shapes and faces on the picture: their outlines and handles, moved by hand or by keys.

import { clamp } from "./small.js";

const NEAR = 12; // pixels from a handle within which it is taken
const TURN = Math.PI / 180;

const tidy = (value) => Number(value.toFixed(4));
const mean = (points) => [0, 1].map((i) => points.reduce((sum, p) => sum + p[i], 0) / points.length);

export class Shapes {
  /**
   * @param stage where they lie: {place, element, label(pen, words, x, y), repaint()}
   * @param doing {reshape(id, values, gesture), moveFace(id, by), remove(id), removeFace(id), chosen(item or null), told(words)}
   */
  constructor(stage, doing) {
    Object.assign(this, { stage, doing, shapes: [], faces: [], grabbed: null, chosen: null, handle: "move" });
  }

  /** Set what lies there: shapes {id, side, shape, centre, …}, faces {id, name, points, keyed}. */
  set(shapes, faces) {
    if (this.grabbed) return;
    Object.assign(this, { shapes, faces });
    if (this.chosen && !this.all.some((item) => item.id === this.chosen)) this.choose(null);
  }

  get all() {
    return [...this.faces, ...this.shapes];
  }

  get item() {
    return this.all.find((item) => item.id === this.chosen) ?? null;
  }

  choose(id, handle = "move") {
    this.chosen = id;
    this.handle = handle;
    this.doing.chosen(this.item);
  }

  // --- where things lie, in CSS pixels of the stage -----------------------------------------------------------

  #px([x, y]) {
    const at = this.stage.place;
    return [at.left + x * at.width, at.top + y * at.height];
  }

  #centre(item) {
    if (item.points && item.shape === undefined) return mean([item.points[0], item.points[1], item.points[3], item.points[4]]);
    return item.shape === "polygon" ? mean(item.points) : item.centre;
  }

  handles(item) {
    const at = this.stage.place, [x, y] = this.#px(this.#centre(item));
    if (item.shape === undefined) return { move: [x, y] };
    const soft = (item.feather * at.height) / 2;
    if (item.shape === "polygon") {
      const corners = item.points.map((p) => this.#px(p));
      const between = corners.map((p, i) => mean([p, corners[(i + 1) % corners.length]]));
      const low = Math.max(...corners.map((p) => p[1]));
      const named = (letter, points) => Object.fromEntries(points.map((p, i) => [letter + i, p]));
      return { move: [x, y], ...named("corner ", corners), ...named("edge ", between), feather: [x, low + Math.max(soft, 10)] };
    }
    const { rx, ry, on } = this.#frame(item);
    return { move: [x, y], width: on(rx, 0), height: on(0, -ry), turn: on(-rx * 0.72, -ry * 0.72), feather: on(0, ry + Math.max(soft, 6)) };
  }

  /** A turned shape: half its sides, and the way from its own directions to the stage. */
  #frame(item) {
    const at = this.stage.place, [x, y] = this.#px(item.centre), turn = -item.rotation * TURN;
    const [rx, ry] = [(item.width * at.height) / 2, (item.height * at.height) / 2];
    const on = (dx, dy) => [x + dx * Math.cos(turn) - dy * Math.sin(turn), y + dx * Math.sin(turn) + dy * Math.cos(turn)];
    return { x, y, rx, ry, turn, on };
  }

  #outline(item, grow = 0) {
    const path = new Path2D();
    if (item.shape === "polygon") {
      item.points.forEach((p, i) => path[i ? "lineTo" : "moveTo"](...this.#px(p)));
      path.closePath();
      return path;
    }
    const { x, y, rx, ry, turn } = this.#frame(item);
    const [a, b] = [Math.max(rx + grow, 1), Math.max(ry + grow, 1)];
    if (item.shape === "ellipse") {
      path.ellipse(x, y, a, b, turn, 0, 7);
      return path;
    }
    const box = new Path2D();
    box.rect(-a, -b, 2 * a, 2 * b);
    path.addPath(box, new DOMMatrix().translate(x, y).rotate(turn / TURN));
    return path;
  }

  /** The oval of a face by its landmarks: eyes, nose, corners of the mouth. */
  #oval(face) {
    const [left, right, , one, other] = face.points.map((p) => this.#px(p));
    const eyes = mean([left, right]), mouth = mean([one, other]);
    const down = [mouth[0] - eyes[0], mouth[1] - eyes[1]], long = Math.hypot(...down) || 1;
    const wide = Math.max(Math.hypot(right[0] - left[0], right[1] - left[1]), long * 0.5);
    const path = new Path2D();
    const [x, y] = mean([eyes, mouth]);
    path.ellipse(x, y, wide * 1.05, long * 1.35, Math.atan2(down[1], down[0]) - Math.PI / 2, 0, 7);
    return path;
  }

  // --- painting -------------------------------------------------------------------------------------------------

  paint(pen, active) {
    const stroke = (path, dash, thick = 1.5) => {
      for (const [width, colour, pattern] of [[thick + 2, "rgb(0 0 0 / 65%)", []], [thick, "#fff", dash]]) {
        pen.setLineDash(pattern);
        pen.lineWidth = width;
        pen.strokeStyle = colour;
        pen.stroke(path);
      }
      pen.setLineDash([]);
    };
    for (const shape of this.shapes) {
      stroke(this.#outline(shape), shape.side === "out" ? [7, 5] : [], shape.id === this.chosen ? 2.5 : 1.5);
      if (!active) continue;
      if (shape.shape !== "polygon") {
        const soft = (shape.feather * this.stage.place.height) / 2;
        for (const grow of [-soft, soft]) {
          pen.setLineDash([2, 4]);
          pen.lineWidth = 1;
          pen.strokeStyle = "#fff";
          pen.stroke(this.#outline(shape, grow));
          pen.setLineDash([]);
        }
      }
      this.#paintHandles(pen, shape, shape.name);
    }
    if (!active) return;
    for (const face of this.faces) {
      stroke(this.#oval(face), face.keyed ? [] : [2, 4], face.id === this.chosen ? 2.5 : 1.5);
      for (const point of face.points) {
        const [x, y] = this.#px(point);
        pen.fillStyle = "#000";
        pen.fillRect(x - 2.5, y - 2.5, 5, 5);
        pen.fillStyle = "#fff";
        pen.fillRect(x - 1.5, y - 1.5, 3, 3);
      }
      this.#paintHandles(pen, face, `${face.name}${face.keyed ? "" : ", held off"}`);
    }
  }

  #paintHandles(pen, item, words) {
    const handles = this.handles(item);
    for (const [name, [x, y]] of Object.entries(handles)) {
      const by = item.id === this.chosen && name === this.handle && document.activeElement === this.stage.element;
      const half = name.startsWith("edge") ? 4 : 6;
      pen.fillStyle = "#000";
      pen.fillRect(x - half - (by ? 3 : 0), y - half - (by ? 3 : 0), 2 * half + (by ? 6 : 0), 2 * half + (by ? 6 : 0));
      pen.fillStyle = "#fff";
      if (name === "move") pen.fillRect(x - 4, y - 4, 8, 8);
      else if (name === "turn") {
        pen.beginPath();
        pen.arc(x, y, 4, 0, 7);
        pen.fill();
      } else if (name === "feather") pen.fillRect(x - 5, y - 2, 10, 4);
      else if (name.startsWith("edge")) pen.fillRect(x - 2, y - 2, 4, 4);
      else pen.fillRect(x - 3, y - 3, 6, 6);
    }
    this.stage.label(pen, words, handles.move[0] + 10, handles.move[1] + (item.shape === undefined ? 24 : -8), "left");
  }

  // --- moving ---------------------------------------------------------------------------------------------------

  /** The handle near a point of the stage: {id, name}, or null; corners go before edges, shapes before faces. */
  near([x, y]) {
    for (const item of [...this.all].reverse()) {
      for (const [name, [hx, hy]] of Object.entries(this.handles(item))) {
        if (Math.hypot(x - hx, y - hy) < NEAR) return { id: item.id, name };
      }
    }
    return null;
  }

  grab({ id, name }, point, away) {
    this.choose(id, name);
    const item = this.item, corner = /^(corner|edge) (\d+)$/.exec(name);
    if (away && corner?.[1] === "corner") {
      if (item.points.length > 3) this.doing.reshape(id, { points: item.points.filter((_, i) => i !== Number(corner[2])) }, `corner ${performance.now()}`);
      return;
    }
    this.grabbed = { id, name, from: point, was: structuredClone(item), gesture: `shape ${performance.now()}` };
    if (corner?.[1] !== "edge") return;
    // A new corner in the middle of an edge.
    const at = Number(corner[2]) + 1, { points } = this.grabbed.was;
    const middle = mean([points[at - 1], points[at % points.length]]);
    this.grabbed.was.points = [...points.slice(0, at), middle, ...points.slice(at)];
    this.grabbed.name = this.handle = `corner ${at}`;
  }

  dragTo(point) {
    const { id, name, was, gesture, from } = this.grabbed;
    this.#put(id, this.#moved(was, name, from, point), gesture);
  }

  drop() {
    const held = this.grabbed;
    this.grabbed = null;
    if (held?.was.shape === undefined && held?.by) this.doing.moveFace(held.id, held.by);
  }

  /** Show new values at once and send them; a face goes when it is let go. */
  #put(id, values, gesture) {
    if (values.by) {
      this.grabbed.by = values.by;
      const { was } = this.grabbed;
      this.faces = this.faces.map((face) => (face.id === id ? { ...was, points: was.points.map((p) => [p[0] + values.by[0], p[1] + values.by[1]]) } : face));
    } else {
      this.shapes = this.shapes.map((shape) => (shape.id === id ? { ...shape, ...values } : shape));
      this.doing.reshape(id, values, gesture);
    }
    this.stage.repaint();
  }

  /** What a shape becomes when a handle goes from one point of the stage to another. */
  #moved(was, name, from, [x, y]) {
    const at = this.stage.place;
    const by = [(x - from[0]) / at.width, (y - from[1]) / at.height];
    const shifted = (p) => [tidy(p[0] + by[0]), tidy(p[1] + by[1])];
    if (was.shape === undefined) return { by: by.map(tidy) };
    const corner = /^corner (\d+)$/.exec(name);
    if (corner) return { points: was.points.map((p, i) => (i === Number(corner[1]) ? shifted(p) : p)) };
    if (was.shape === "polygon" && name === "move") return { points: was.points.map(shifted) };
    if (was.shape === "polygon") {
      const low = Math.max(...was.points.map((p) => this.#px(p)[1]));
      return { feather: tidy(clamp((2 * (y - low)) / at.height, 0, 10)) };
    }
    if (name === "move") return { centre: shifted(was.centre) };
    const laid = this.#frame(was);
    // In the shape's own directions, in frame heights from its centre.
    const [dx, dy] = [(x - laid.x) / at.height, (y - laid.y) / at.height];
    const [u, v] = [dx * Math.cos(laid.turn) + dy * Math.sin(laid.turn), -dx * Math.sin(laid.turn) + dy * Math.cos(laid.turn)];
    if (name === "width") return { width: tidy(clamp(2 * Math.abs(u), 0.01, 20)) };
    if (name === "height") return { height: tidy(clamp(2 * Math.abs(v), 0.01, 20)) };
    if (name === "feather") return { feather: tidy(clamp(2 * (v - was.height / 2), 0, 10)) };
    const [tx, ty] = this.handles(was).turn;
    return { rotation: Number((was.rotation - (Math.atan2(dy, dx) - Math.atan2(ty - laid.y, tx - laid.x)) / TURN).toFixed(1)) };
  }

  // --- by keys ----------------------------------------------------------------------------------------------------

  /** Brackets go through the handles, arrows move the one that is taken, Delete takes the shape out; true where used. */
  key(event) {
    const all = this.all.flatMap((item) => Object.keys(this.handles(item)).map((name) => [item.id, name]));
    if (["[", "]"].includes(event.key) && all.length) {
      const at = all.findIndex(([id, name]) => id === this.chosen && name === this.handle);
      const next = all[(at + (event.key === "]" ? 1 : -1) + all.length + (at < 0 && event.key === "[" ? 1 : 0)) % all.length];
      this.choose(...next);
      this.doing.told(`${this.item.name}: ${next[1]}; arrows move it, Delete takes it out, Escape lets go`);
      return true;
    }
    if (!this.item) return false;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (way) {
      const step = event.shiftKey ? 20 : 3, from = this.handles(this.item)[this.handle];
      this.grab({ id: this.chosen, name: this.handle }, from, false);
      this.dragTo([from[0] + way[0] * step, from[1] + way[1] * step]);
      this.drop();
    } else if (event.key === "Delete") this.remove();
    else if (event.key === "Escape") this.choose(null);
    else return false;
    return true;
  }

  /** Take out what is chosen. */
  remove() {
    const { item } = this;
    if (item) (item.shape === undefined ? this.doing.removeFace : this.doing.remove)(item.id);
  }
}
