// The wipe follows its slider, and a pointer on the picture moves the slider.
for (const wipe of document.querySelectorAll(".wipe")) {
  const slider = wipe.querySelector("input[type=range]");
  const stage = wipe.querySelector(".stage");
  const show = () => {
    wipe.style.setProperty("--at", slider.value + "%");
    slider.setAttribute("aria-valuetext", slider.value + " % before");
  };
  const follow = (event) => {
    const box = stage.getBoundingClientRect();
    slider.value = String(Math.round((100 * (event.clientX - box.left)) / box.width));
    show();
  };
  slider.addEventListener("input", show);
  stage.addEventListener("pointerdown", (event) => {
    stage.setPointerCapture(event.pointerId);
    follow(event);
  });
  stage.addEventListener("pointermove", (event) => {
    if (stage.hasPointerCapture(event.pointerId)) follow(event);
  });
  const left = wipe.querySelector("select");
  left.addEventListener("change", () => {
    wipe.dataset.left = left.value;
    wipe.querySelector(".tag.left").textContent = left.selectedOptions[0].textContent;
  });
  show();
}

// The sheet and the clips below it are put in the order that is chosen.
const order = document.getElementById("order");
const sorted = (parent, key) => {
  const number = (part) => Number(part.dataset[key]);
  const compare = key === "name" ? (a, b) => a.dataset.name.localeCompare(b.dataset.name) : (a, b) => number(a) - number(b);
  parent.append(...[...parent.children].sort(compare));
};
if (order) {
  const sheet = document.getElementById("sheet"), clips = document.getElementById("clips");
  const ranks = new Map([...sheet.children].map((card) => [card.dataset.run, card.dataset]));
  for (const clip of clips.children) Object.assign(clip.dataset, ranks.get(clip.dataset.run));
  order.addEventListener("change", () => {
    for (const parent of [sheet, clips]) sorted(parent, order.value);
  });
}

// A link to a clip unfolds it.
const unfold = () => {
  const part = document.getElementById(location.hash.slice(1));
  if (part instanceof HTMLDetailsElement) {
    part.open = true;
    part.scrollIntoView();
  }
};
addEventListener("hashchange", unfold);
unfold();

// On paper nothing stays folded.
let opened = [];
addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll("details:not([open])")];
  for (const part of opened) part.open = true;
});
addEventListener("afterprint", () => {
  for (const part of opened) part.open = false;
});
