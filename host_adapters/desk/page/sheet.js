// The job sheet: the steps of the job in order, each with a line that says how it stands, and its controls.

import { control, scale } from "./controls.js";
import { find, make, signed, title } from "./small.js";

/** Each step of the job: its name and the question it answers. */
const STEPS = {
  balance: ["Light", "exposure and colour"],
  light: ["Levels", "and saturation"],
  key: ["Key", "where the skin is"],
  matte: ["Edge", "of the key"],
  steer: ["Skin", "where it rests"],
  compare: ["View", "what is shown"],
};

export class Sheet {
  constructor(declared, doing) {
    this.declared = declared;
    this.doing = doing; // {send, reset, solve, unmark, goTo, choosePerson, addPerson, renamePerson, removePerson}
    this.open = "key";
    this.controls = [];
    this.made = "";
    this.atOnce = true;
  }

  /** Show a state; the sheet is built anew only where steps or people have changed. */
  show(state, { person, frame }, view) {
    Object.assign(scale, { daylight: this.declared.daylight, lines: state.clip.height });
    const form = JSON.stringify([state.steps.map((s) => [s.id, s.node]), state.people.map((p) => [p.suffix, p.name]), person]);
    if (form !== this.made) {
      this.#build(state, person);
      this.made = form;
    }
    const values = new Map([...state.steps, ...Object.values(state.views)].map((step) => [step.id, step]));
    for (const someone of state.people) values.set(`target${someone.suffix}`, { params: someone.target, rest: someone.rest, keyed: {} });
    for (const { id, name, shown } of this.controls) {
      const step = values.get(id);
      if (step) shown.show(this.doing.atFrame(id)?.[name] ?? step.params[name], state.keyframes[id]?.[name], step.rest[name], frame, this.doing.parts(id, name), state.ways[id]?.[name]);
    }
    if (find("freeze-key")) find("freeze-key").checked = state.frozen.includes(person);
    if (find("accept-matte")) find("accept-matte").checked = state.accepted.includes(person);
    this.#showMarks(state, person);
    this.#showSummaries(state, person, view);
  }

  #build(state, person) {
    this.controls = [];
    this.views = state.views;
    this.#buildPeople(state, person);
    const groups = this.declared.groups.map((group, i) => this.#buildGroup(group, i + 1, state, person));
    find("steps").replaceChildren(...groups);
  }

  #buildPeople(state, person) {
    const buttons = state.people.map(({ suffix, name }) =>
      make("button", {
        type: "button", "aria-pressed": String(suffix === person), title: "Double-click, or F2, to rename",
        onclick: () => this.doing.choosePerson(suffix),
        ondblclick: () => this.doing.renamePerson(suffix),
        onkeydown: (event) => {
          if (event.key === "F2") this.doing.renamePerson(suffix);
          if (event.key === "Delete") this.doing.removePerson(suffix);
        },
      }, name));
    if (state.canAdd) {
      buttons.push(make("button", { type: "button", onclick: this.doing.addPerson, "aria-label": "Add a person" }, "+ person"));
    }
    if (state.people.length > 1 && person !== state.people[0].suffix) {
      const remove = () => this.doing.removePerson(person);
      buttons.push(make("button", { type: "button", onclick: remove, "aria-label": "Remove this person" }, "− remove"));
    }
    const all = make("div", { class: "do" }, make("button", {
      type: "button", id: "solve-everything", onclick: () => this.doing.solve("everything"),
      title: "Balance by the neutral mark, learn from the marks, steer everyone onto the target (Shift+S)",
    }, "Solve all"));
    find("people").replaceChildren(...buttons, all);
  }

  #buildGroup(group, number, state, person) {
    const id = `step-${group}`;
    const head = make("button", {
      type: "button", class: "step-head", id: `${id}-head`, "aria-expanded": String(group === this.open), "aria-controls": id,
      onclick: () => this.toggle(group === this.open ? "" : group),
    }, make("span", { class: "number", "aria-hidden": "true" }, String(number)), make("span", {}, make("b", {}, STEPS[group]?.[0] ?? title(group)), ` ${STEPS[group]?.[1] ?? ""}`), make("small", {}));
    const body = make("div", { class: "step-body", id, role: "region", "aria-labelledby": `${id}-head`, hidden: group !== this.open });
    body.append(...this.#actions(group), ...this.#nodes(group, state, person));
    return make("li", { data: { group } }, make("h2", {}, head), body);
  }

  #actions(group) {
    const button = (what, words, hint) => make("button", { type: "button", id: `solve-${what}`, title: hint, onclick: () => this.doing.solve(what) }, words);
    const actions = {
      balance: [button("balance", "Balance", "From a mark on something grey or white; without one, a suggestion from the picture's edges")],
      key: [
        button("learn", "Learn from the marks", "Learn this person's skin from the marks (L)"),
        make("button", { type: "button", id: "find-faces", class: "plain-do", onclick: this.doing.findFaces, title: "Find and follow the faces of the clip: a mark on one means that face" }, "Find faces"),
      ],
      steer: [button("steer", "Rest skin on the target", "Turn and scale this person's skin onto the target (S)")],
    }[group];
    const parts = actions ? [make("div", { class: "do" }, ...actions)] : [];
    if (group === "key") parts.unshift(...this.#learning());
    if (group === "key") parts.push(make("ul", { class: "marks", id: "marks", "aria-label": "Marks" }));
    return parts;
  }

  /** Whether what is drawn is learned at once: an input of its own, which other parts of the page read. */
  #learning() {
    const input = make("input", { type: "checkbox", id: "at-once", checked: this.atOnce, onchange: () => (this.atOnce = input.checked) });
    const frozen = make("input", { type: "checkbox", id: "freeze-key", onchange: () => this.doing.freeze(frozen.checked) });
    const accepted = make("input", { type: "checkbox", id: "accept-matte", onchange: () => this.doing.accept(accepted.checked) });
    return [
      make("label", { class: "inline" }, input, "learn from each mark at once"),
      make("label", { class: "inline", title: "The key stays as it was learned, whatever changes in the light before it" }, frozen, "freeze key"),
      make("label", { class: "inline", title: "You looked at the matte and it is right: its warnings no longer count, until it changes" }, accepted, "matte accepted"),
    ];
  }

  #nodes(group, state, person) {
    const others = state.people.map((p) => p.suffix).filter((suffix) => suffix && suffix !== person);
    const mine = (id) => (person ? id.endsWith(person) || !/^(skin|soften|steer|own|people|within|(?:in|out|with-in|without-out|face)\d+|join|region|limit|steady)(_|$)/.test(id) : !others.some((s) => id.endsWith(s)));
    const parts = [];
    if (group === "steer" && state.people.length) {
      parts.push(this.#node(`target${person}`, "Target", this.declared.target, "Where this person's skin should rest."));
    }
    const steps = group === "compare" ? Object.values(state.views) : state.steps.filter((step) => mine(step.id));
    for (const step of steps) {
      const node = this.declared.nodes[step.node];
      if (node.group !== group) continue;
      const shape = /^(in|out)(\d+)(_|$)/.exec(step.id);
      if (shape) {
        parts.push(this.#node(step.id, `Shape: keep ${shape[1]} ${shape[2]}`, node, node.help));
        parts.push(make("button", { type: "button", onclick: () => this.doing.unshape(step.id) }, `Remove keep ${shape[1]} ${shape[2]}`));
        continue;
      }
      if (/^(with|own|people|join|limit)/.test(step.id)) continue; // how mattes are joined is no choice
      if (/^face\d/.test(step.id)) {
        const words = `Face ${/\d+/.exec(step.id)[0]}${step.params.keyed ? "" : ", held off"}`;
        parts.push(make("div", { class: "row face" }, make("span", {}, words), make("button", { type: "button", "aria-label": `Remove ${words}`, onclick: () => this.doing.unface(step.id) }, "Remove")));
        continue;
      }
      if (step.id === "waveform") {
        parts.push(this.#node(step.id, node.label, { params: { view: node.params.view }, first: ["view"] }, node.help));
        continue;
      }
      parts.push(this.#node(step.id, node.label, node, node.help));
    }
    return parts;
  }

  #node(id, label, { params, first }, help) {
    const made = (name) => {
      const inTime = id.startsWith("target") || id in this.views ? null : this.doing.keyframe;
      const shown = control(id, name, params[name], this.doing.send, this.doing.reset, inTime, this.declared.ways);
      this.controls.push({ id, name, shown });
      return shown.box;
    };
    const leading = first.filter((name) => name in params);
    const rest = Object.keys(params).filter((name) => !leading.includes(name));
    const boxes = leading.map(made);
    if (rest.length) boxes.push(make("details", { class: "more" }, make("summary", {}, `more (${rest.length})`), ...rest.map(made)));
    return make("fieldset", { class: "node", data: { id } }, make("legend", { title: help }, label), ...boxes);
  }

  /** Say at a control why what was set is refused; returns false where the control is not on the sheet. */
  fault(id, name, words) {
    const found = this.controls.find((control) => control.id === id && control.name === name);
    found?.shown.complain(words);
    return Boolean(found);
  }

  clearFaults() {
    for (const { shown } of this.controls) shown.complain("");
  }

  toggle(group) {
    this.open = group;
    for (const item of find("steps").children) {
      const on = item.dataset.group === group;
      item.querySelector(".step-head").setAttribute("aria-expanded", String(on));
      item.querySelector(".step-body").hidden = !on;
    }
  }

  #showMarks(state, person) {
    const list = find("marks");
    if (!list) return;
    const words = { skin: "+ skin", "keep out": "− keep out", neutral: "○ neutral" };
    const mine = state.marks.filter((mark) => mark.purpose === "neutral" || mark.suffix === person);
    list.replaceChildren(...mine.map((mark) => make("li", {},
      make("button", { type: "button", onclick: () => this.doing.goTo(mark.frame) }, `${words[mark.purpose]}, ${mark.kind}, frame ${mark.frame}`),
      make("button", { type: "button", "aria-label": `Remove mark ${mark.id}`, onclick: () => this.doing.unmark(mark.id) }, "×"))));
  }

  #showSummaries(state, person, view) {
    const by = Object.fromEntries(state.steps.map((step) => [step.id, step]));
    const someone = state.people.find((p) => p.suffix === person);
    for (const group of this.declared.groups) {
      const line = document.querySelector(`#step-${group}-head small`);
      line.textContent = this.#summary(group, by, someone, state, view);
    }
  }

  #summary(group, by, person, state, view) {
    const suffix = person ? person.suffix : "";
    const { balance } = by;
    const steer = by[`steer${suffix}`];
    if (group === "balance" && balance) {
      const { exposure, temperature, tint } = { ...balance.params, ...this.doing.atFrame("balance") };
      const parts = [exposure && `${signed(exposure, 2)} stops`, (temperature || tint) && `${signed(temperature, 1)} mired, tint ${signed(tint * 1000, 1)} thousandths`];
      return parts.filter(Boolean).join(", ") || "as shot";
    }
    if (group === "key" && person) {
      const some = (count, what) => count && `${count} ${what}${count === 1 ? "" : "s"}`;
      const faces = some((state.faces[suffix] || []).length, "face");
      const count = [person.marks && `${some(person.marks, "mark")} on skin`, faces].filter(Boolean).join(", ") || "no marks on skin";
      return person.taught ? `${count}, learned` : `${count}; the natural range of skin is keyed`;
    }
    if (group === "steer" && steer) {
      const { angle, saturation } = { ...steer.params, ...this.doing.atFrame(steer.id) };
      return angle || saturation !== 1 ? `turned ${signed(angle, 1)}°, saturation × ${saturation.toFixed(2)}` : "not steered yet";
    }
    if (group === "compare") return `looking at: ${view}`;
    const names = this.controls.filter(({ id }) => this.declared.nodes[by[id]?.node]?.group === group);
    const moved = names.filter(({ shown }) => shown.box.classList.contains("changed")).length;
    return moved ? `${moved} control${moved === 1 ? "" : "s"} moved` : group === "light" ? "as shot" : "as it starts";
  }
}
