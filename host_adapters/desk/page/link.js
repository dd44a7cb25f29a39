// The link to the server: every request goes below the page's own address, which holds the token.

const here = new URL("./", location.href);

/** An answer that refuses: its status and the reason in words. */
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
    throw new Refusal(0, "The desk does not answer: is `inkarnat desk` still running?");
  }
}

/** Ask for JSON. */
export const ask = async (name, query = {}, signal = undefined) => (await reach(address(name, query), { signal })).json();

/** Ask for raw pixels: {width, height, pixels}. */
export async function askPixels(name, query = {}, signal = undefined) {
  const answer = await reach(address(name, query), { signal });
  const [width, height] = ["x-width", "x-height"].map((header) => Number(answer.headers.get(header)));
  return { width, height, pixels: new Uint8ClampedArray(await answer.arrayBuffer()) };
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
