// The link to the server: requests, all below the page's own path and with its cookie, and the stream of changes.

const here = new URL("./", location.href);
const QUIET = 20000; // milliseconds without a word from the stream after which the desk counts as gone
const AGAIN = 1000;

/** An answer that refuses: its status and the reason in words. Status 0: nobody answers. */
export class Refusal extends Error {
  constructor(status, words) {
    super(words);
    this.status = status;
  }
}

const address = (name, query) => {
  const url = new URL(`api/${name}`, here);
  for (const [key, value] of Object.entries(query)) if (value !== undefined) url.searchParams.set(key, value);
  return url;
};

async function checked(answer) {
  if (answer.status === 204) throw new Refusal(204, "Something newer is shown.");
  if (answer.ok) return answer;
  let words = answer.statusText;
  try {
    words = (await answer.json()).error;
  } catch {
    /* not every refusal is JSON */
  }
  throw new Refusal(answer.status, words);
}

async function reach(...given) {
  try {
    return await checked(await fetch(...given));
  } catch (error) {
    if (error instanceof Refusal || error.name === "AbortError") throw error;
    stream.lost();
    throw new Refusal(0, "The desk does not answer.");
  }
}

/** Ask for JSON. */
export const ask = async (name, query = {}, signal = undefined) => (await reach(address(name, query), { signal })).json();

/** Ask for raw pixels: {width, height, pixels}. */
export async function askPixels(name, query = {}, signal = undefined) {
  const answer = await reach(address(name, query), { signal });
  const [width, height] = ["x-width", "x-height"].map((header) => Number(answer.headers.get(header)));
  return { width, height, pixels: new Uint8ClampedArray(await answer.arrayBuffer()), headers: answer.headers };
}

/** Ask for a compressed picture: its bytes, undecoded. */
export const askBlob = async (name, query = {}, signal = undefined) => (await reach(address(name, query), { signal })).blob();

/** Ask for a compressed picture that is not to be kept: its bytes, and whether it was made with the mattes of before. */
export async function askMoving(name, query = {}) {
  const answer = await reach(address(name, query), {});
  return { blob: await answer.blob(), stale: answer.headers.get("x-stale") === "1" };
}

/** Ask for a picture to be shown beside, and what is known of it. */
export async function askBeside(query) {
  const answer = await reach(address("beside", query), {});
  return { blob: await answer.blob(), about: JSON.parse(answer.headers.get("x-about")) };
}

/** Have something done; the answer is the state after it. */
export const act = async (name, body = {}) =>
  (await reach(address(name, {}), {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(body),
  })).json();

/** The address of a clip's small picture. */
export const thumbnail = (clip) => address("thumbnail", { clip }).href;

/** The stream of states. It never gives up: a desk that is started again is found again. */
class Stream {
  #source = null;
  #watch = 0;
  #heard = 0;
  here = null; // whether the desk answers; null before the first word

  /** @param state called with every new state @param presence called with true or false when the desk comes or goes */
  begin(state, presence) {
    this.state = state;
    this.presence = presence;
    this.#open();
    this.#watch = setInterval(() => {
      if (this.here && performance.now() - this.#heard > QUIET) this.lost();
      if (this.#source.readyState === EventSource.CLOSED) this.#open();
    }, AGAIN);
  }

  #open() {
    this.#source?.close();
    const source = (this.#source = new EventSource(address("events", {})));
    source.addEventListener("state", (event) => {
      this.#word();
      this.state(JSON.parse(event.data));
    });
    source.addEventListener("beat", () => this.#word());
    source.addEventListener("error", () => source === this.#source && this.lost());
  }

  #word() {
    this.#heard = performance.now();
    if (this.here === true) return;
    this.here = true;
    this.presence(true);
  }

  /** Nobody answers. */
  lost() {
    if (this.here === false || !this.presence) return;
    this.here = false;
    this.presence(false);
  }

  /** Try again at once. */
  again = () => this.#open();
}

export const stream = new Stream();
