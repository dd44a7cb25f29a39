// The reel: compressed frames that were shown once, for playing and for going through the clip by hand.

import { askBlob } from "./link.js";

const MOST = 150e6; // bytes of compressed frames

export class Reel {
  #kept = new Map();
  #bytes = 0;
  #asking = new Map();

  /** The frame that is kept under a key, or null. */
  find(key) {
    const blob = this.#kept.get(key) ?? null;
    if (blob) {
      this.#kept.delete(key);
      this.#kept.set(key, blob);
    }
    return blob;
  }

  has = (key) => this.#kept.has(key);

  /** The frame under a key, asked for where it is not kept; two who want the same wait for one answer. */
  get(key, query, signal) {
    const known = this.find(key);
    if (known) return Promise.resolve(known);
    if (!this.#asking.has(key)) {
      this.#asking.set(key, askBlob("frame", query, signal).then((blob) => {
        this.#keep(key, blob);
        return blob;
      }).finally(() => this.#asking.delete(key)));
    }
    return this.#asking.get(key);
  }

  #keep(key, blob) {
    this.#kept.set(key, blob);
    this.#bytes += blob.size;
    for (const [old, { size }] of this.#kept) {
      if (this.#bytes <= MOST) break;
      this.#kept.delete(old);
      this.#bytes -= size;
    }
  }

  get bytes() {
    return this.#bytes;
  }
}

/** A compressed picture, decoded as it is: no conversion of colour. */
export const decoded = (blob) => createImageBitmap(blob, { colorSpaceConversion: "none", premultiplyAlpha: "none" });
