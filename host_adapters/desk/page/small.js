// Small helpers: elements, groups of buttons of which one is chosen, words for names.

export const find = (id) => document.getElementById(id);

/** Make an element: properties, then children. */
export function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "class") element.className = value;
    else if (name === "data") for (const [key, datum] of Object.entries(value)) { if (datum !== undefined) element.dataset[key] = datum; }
    else if (name in element && !name.startsWith("aria")) element[name] = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

/** Fill a group with buttons of which one is chosen; arrow keys move within it, Tab passes it in one step. */
export function choices(group, items, chosen, pick) {
  const buttons = items.map(([id, label, title]) =>
    make("button", { type: "button", role: "radio", data: { id }, title, onclick: () => pick(id) }, label));
  group.replaceChildren(...buttons);
  group.onkeydown = (event) => {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    const at = buttons.indexOf(document.activeElement);
    if (!step || at < 0) return;
    event.preventDefault();
    event.stopPropagation();
    const next = buttons[(at + step + buttons.length) % buttons.length];
    next.focus();
    pick(next.dataset.id);
  };
  choose(group, chosen);
}

/** Show which button of a group is chosen. */
export function choose(group, chosen) {
  for (const button of group.children) {
    const on = button.dataset.id === chosen;
    button.setAttribute("aria-checked", String(on));
    button.tabIndex = on ? 0 : -1;
  }
}

/** A parameter's name as people read it. */
export const title = (name) => name.charAt(0).toUpperCase() + name.slice(1).replaceAll("_", " ");

/** A figure with its sign, and a true minus. */
export const signed = (value, digits) => (value < 0 ? "−" : "+") + Math.abs(value).toFixed(digits);

export const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
