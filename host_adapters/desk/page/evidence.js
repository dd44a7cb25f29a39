// The evidence: what the skin reads, in words and numbers, the warnings with their mends, and the scopes.

import { ask, askPixels } from "./link.js";
import { find, make, signed } from "./small.js";

const ROWS = [
  ["Angle", (r) => `${r.angle.toFixed(1)}°`],
  ["From the skin line", (r) => `${signed(r.off_line, 1)}°`],
  ["Chroma / luma", (r) => r.ratio.toFixed(3)],
  ["Spread", (r) => `± ${r.spread.toFixed(1)}°`],
  ["Luma 5 · 50 · 95 %", (r) => r.luma.map((v) => Math.round(v * 100)).join(" · ")],
  ["Frame keyed", (r) => `${(r.area * 100).toFixed(1)} %`],
];

/** What mends a warning: words on a button, and what it does. */
const MENDS = {
  "no sample": ["Mark skin", ["box", "skin"]],
  "too little": ["Add lit skin", ["stroke", "skin"]],
  "half open": ["Add skin", ["stroke", "skin"]],
  leak: ["Keep something out", ["box", "keep out"]],
  ragged: ["Keep something out", ["box", "keep out"]],
  "look-alike": ["Keep something out", ["box", "keep out"]],
  missed: ["Mark skin anew", ["box", "skin"]],
  "no reading": ["Mark skin", ["box", "skin"]],
};

export class Evidence {
  /** @param mend called with (tool, purpose) */
  constructor(mend) {
    this.mend = mend;
    this.large = null;
    for (const which of ["vectorscope", "waveform"]) find(which).addEventListener("click", () => this.enlarge(which));
    find("scope-dialog").addEventListener("close", () => (this.large = null));
  }

  /** Fetch and show everything for a frame; stops between two steps, and says so, once something newer is painted. */
  async show(query, newer) {
    this.query = query;
    const steps = [
      () => this.#scope("vectorscope", find("vectorscope")),
      () => this.#scope("waveform", find("waveform")),
      async () => this.#read(await ask("reading", this.query)),
    ];
    if (this.large) steps.unshift(() => this.#scope(this.large, find("scope-large"), 900));
    for (const step of steps) {
      if (newer()) return false;
      await step();
    }
    return true;
  }

  async enlarge(which) {
    this.large = which;
    find("scope-dialog").showModal();
    if (this.query) await this.#scope(which, find("scope-large"), 900);
  }

  async #scope(which, holder, side = 0) {
    const canvas = holder.matches("canvas") ? holder : holder.firstElementChild;
    const ratio = devicePixelRatio || 1;
    const shape = side ? [side, which === "waveform" ? side / 1.6 : side] : [holder.clientWidth * ratio, holder.clientHeight * ratio];
    const [wide, tall] = shape.map(Math.round);
    const { width, height, pixels } = await askPixels("scope", { ...this.query, full: undefined, which, wide, tall });
    [canvas.width, canvas.height] = [width, height];
    canvas.getContext("2d").putImageData(new ImageData(pixels, width, height), 0, 0);
  }

  #read({ before, after, words, warnings }) {
    find("sentence").textContent = words;
    const cell = (reading, show) => make("td", {}, reading ? show(reading) : "·");
    find("figures").tBodies[0].replaceChildren(...ROWS.map(([name, show]) =>
      make("tr", {}, make("th", { scope: "row" }, name), cell(before, show), cell(after, show))));
    find("warnings").replaceChildren(...warnings.map(({ sign, message }) => {
      const [words, what] = MENDS[sign] || [];
      const button = what && make("button", { type: "button", onclick: () => this.mend(...what) }, words);
      return make("li", {}, message, make("br"), button);
    }));
    find("evidence").dataset.angle = after ? after.angle.toFixed(3) : "";
    document.dispatchEvent(new CustomEvent("read", { detail: { before, after } }));
  }
}
