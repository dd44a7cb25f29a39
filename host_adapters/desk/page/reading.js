// The reading: what the skin reads in words and figures, the warnings with their fixes, and what lies under the cursor.

import { ask } from "./link.js";
import { find, make } from "./small.js";

/** What fixes a warning: words on a button, and the tool and purpose that it takes up. */
const FIXES = {
  "no sample": ["Mark skin", "box", "skin"],
  sought: ["Mark skin", "box", "skin"],
  "too little": ["Add lit skin", "stroke", "skin"],
  "half open": ["Add skin", "stroke", "skin"],
  leak: ["Draw a shape", "shape", "skin"],
  ragged: ["Keep something out", "box", "keep out"],
  "look-alike": ["Keep something out", "box", "keep out"],
  missed: ["Mark skin anew", "box", "skin"],
  "no reading": ["Mark skin", "box", "skin"],
};

/** A figure as shot and now; what stays the same stands there once. */
const change = (a, b) => (a === b ? b : `${a} → ${b}`);

const FIGURES = [
  (a, b) => `angle ${change(a.angle.toFixed(1), b.angle.toFixed(1))}°`,
  (a, b) => `chroma/luma ${change(a.ratio.toFixed(3), b.ratio.toFixed(3))}`,
  (a, b) => `level ${change(percent(a.luma[1]), percent(b.luma[1]))}`,
  (a, b) => `spread ± ${b.spread.toFixed(1)}°`,
  (a, b) => `keyed ${percent(b.area, 1)}`,
];

const percent = (value, digits = 0) => `${(value * 100).toFixed(digits)} %`;

/** Characters from which a sentence takes two lines: no part of it and of its fix may be out of sight. */
const LONG = 70;

export class Reading {
  #wanted = null;
  #asking = false;

  /** @param fix called with (tool, purpose) @param pixel called with the values under the cursor, or null */
  constructor(fix, pixel) {
    this.fix = fix;
    this.pixel = pixel;
    this.last = null;
  }

  /** Fetch and show the reading of a frame. */
  async show(query, signal) {
    const { before, after, words, warnings, target } = await ask("reading", query, signal);
    this.last = { before, after, target };
    find("sentence").textContent = words;
    find("sentence").title = words;
    find("sentence").classList.toggle("long", words.length > LONG);
    find("figures").textContent = after ? FIGURES.map((figure) => figure(before, after)).join(" · ") : "";
    find("figures").title = find("figures").textContent;
    find("warnings").replaceChildren(...warnings.map(({ sign, message }) => {
      const [label, ...what] = FIXES[sign] || [];
      const button = label && make("button", { type: "button", onclick: () => this.fix(...what) }, label);
      return make("li", {}, button, make("span", { title: message }, message));
    }));
    find("evidence").dataset.angle = after ? after.angle.toFixed(3) : "";
    document.dispatchEvent(new CustomEvent("read", { detail: this.last }));
  }

  /** Read what lies at a place of the picture; only the newest place is asked for. */
  async under(query) {
    this.#wanted = query;
    if (this.#asking) return;
    this.#asking = true;
    while (this.#wanted) {
      const asked = this.#wanted;
      this.#wanted = null;
      try {
        const values = await ask("pixel", asked);
        if (this.#wanted === null) this.#showPixel({ ...values, part: Number(asked.at.split(",")[0]) });
      } catch {
        this.#wanted = null;
      }
    }
    this.#asking = false;
  }

  /** The cursor has left the picture. */
  left() {
    this.#wanted = null;
    this.pixel(null);
    find("under").textContent = "Move over the picture to read it.";
  }

  #showPixel(values) {
    const { at, rgb, angle, ratio, matte } = values;
    const levels = rgb.map((v, i) => `${"RGB"[i]}′ ${(v * 100).toFixed(1)}`).join("  ");
    const hue = angle === null ? "neutral" : `${angle.toFixed(1)}°`;
    const parts = [`x ${at[0]} y ${at[1]}`, `${levels} %`, hue, ratio === null ? "" : `chroma/luma ${ratio.toFixed(3)}`, matte === null ? "" : `matte ${percent(matte)}`];
    find("under").textContent = parts.filter(Boolean).join(" · ");
    this.pixel(values);
  }
}
