// The wipe follows its slider, and a pointer on the picture moves the slider.
for (const wipe of document.querySelectorAll(".wipe")) {
  const slider = wipe.querySelector("input");
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
  show();
}

// On paper nothing stays folded.
let opened = [];
addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll("details:not([open])")];
  for (const part of opened) part.open = true;
});
addEventListener("afterprint", () => {
  for (const part of opened) part.open = false;
});
