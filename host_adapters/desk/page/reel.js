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

/** The primaries that pictures are asked for and painted in: those of the screen that the page opened on. */
export const gamut = matchMedia("(color-gamut: p3)").matches ? "display-p3" : "srgb";

/** A compressed picture, decoded as it is: no conversion of colour. Its codes are those of `gamut`. */
export async function decoded(blob) {
  const plain = await createImageBitmap(blob, { colorSpaceConversion: "none", premultiplyAlpha: "none" });
  if (gamut === "srgb") return plain;
  const pen = new OffscreenCanvas(plain.width, plain.height).getContext("2d", { alpha: false, willReadFrequently: true });
  pen.drawImage(plain, 0, 0);
  plain.close();
  const { data, width, height } = pen.getImageData(0, 0, pen.canvas.width, pen.canvas.height);
  return createImageBitmap(new ImageData(data, width, height, { colorSpace: gamut }));
}
