// Looks a page over for what people need: contrast, labels, headings, width. Returns the faults it finds.
(() => {
  const faults = [];
  const parse = (text) => {
    const numbers = text.match(/[\d.]+/g).map(Number);
    return { rgb: numbers.slice(0, 3), alpha: numbers.length > 3 ? numbers[3] : 1 };
  };
  const over = (top, alpha, below) => top.map((v, i) => v * alpha + below[i] * (1 - alpha));
  // Relative luminance and contrast: WCAG 2.2, section 1.4.3.
  const luminance = (rgb) => {
    const [r, g, b] = rgb.map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (a, b) => {
    const [low, high] = [luminance(a), luminance(b)].sort((x, y) => x - y);
    return (high + 0.05) / (low + 0.05);
  };
  const groundOf = (element) => {
    const layers = [];
    for (let node = element; node; node = node.parentElement) {
      const { rgb, alpha } = parse(getComputedStyle(node).backgroundColor);
      if (alpha > 0) layers.push([rgb, alpha]);
      if (alpha === 1) break;
    }
    // Over a picture the worst ground is white.
    return layers.reverse().reduce((below, [rgb, alpha]) => over(rgb, alpha, below), [255, 255, 255]);
  };
  const onPicture = (element) => element.closest(".stage") !== null;
  let texts = 0;
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    const text = walker.currentNode.textContent.trim();
    if (!text || element.closest("script, style, option, .unseen, .skip") || !element.checkVisibility()) continue;
    if (element.closest(":disabled, [inert]")) continue; // what cannot be used need not be read: WCAG 2.2, 1.4.3
    texts += 1;
    const style = getComputedStyle(element);
    let ground = groundOf(element);
    if (onPicture(element)) {
      const { rgb, alpha } = parse(style.backgroundColor);
      ground = over(rgb, alpha, [255, 255, 255]);
    }
    const ratio = contrast(parse(style.color).rgb, ground);
    if (ratio < 4.5) faults.push(`contrast ${ratio.toFixed(2)}: ${text.slice(0, 40)}`);
    if (parseFloat(style.fontSize) < 12.5) faults.push(`small print ${style.fontSize}: ${text.slice(0, 40)}`);
  }
  if (texts < 20) faults.push(`only ${texts} texts`);
  // Lines that carry meaning: WCAG 2.2, section 1.4.11.
  for (const line of document.querySelectorAll(".strip polyline, .strip line")) {
    const ratio = contrast(parse(getComputedStyle(line).stroke).rgb, groundOf(line.closest("svg")));
    if (ratio < 3) faults.push(`line contrast ${ratio.toFixed(2)} of ${line.getAttribute("class")}`);
  }
  for (const input of document.querySelectorAll("input")) {
    if (!input.labels.length && !input.getAttribute("aria-label")) faults.push("an input has no label");
    if (input.tabIndex < 0) faults.push("an input cannot be reached by keyboard");
    const around = [input, ...[...input.labels].filter((label) => label.contains(input))];
    const tall = Math.max(...around.map((part) => part.getBoundingClientRect().height));
    if (tall < 24 && input.checkVisibility()) faults.push("an input is too small to touch");
  }
  for (const image of document.images) {
    if (!image.alt.trim()) faults.push("an image has no alternative text");
    if (!image.naturalWidth) faults.push(`an image is not shown: ${image.alt}`);
  }
  for (const drawing of document.querySelectorAll("svg")) {
    if (drawing.getAttribute("role") !== "img" || !drawing.getAttribute("aria-label")) faults.push("a drawing has no words");
  }
  for (const cell of document.querySelectorAll("th")) {
    if (!cell.getAttribute("scope")) faults.push("a table heading has no scope");
  }
  const levels = [...document.querySelectorAll("h1, h2, h3, h4, h5, h6")].map((h) => Number(h.tagName[1]));
  if (levels.filter((level) => level === 1).length !== 1) faults.push("there is not exactly one h1");
  levels.forEach((level, i) => {
    if (i > 0 && level > levels[i - 1] + 1) faults.push(`heading ${i} jumps from h${levels[i - 1]} to h${level}`);
  });
  if (!document.documentElement.lang || !document.title) faults.push("the page has no language or title");
  for (const [landmark, least] of [["header", 1], ["main", 1], ["footer", 0]]) {
    const count = document.querySelectorAll(`body > ${landmark}`).length;
    if (count < least || count > 1) faults.push(`there are ${count} of ${landmark}`);
  }
  // Borders of what can be worked with: WCAG 2.2, section 1.4.11.
  for (const control of document.querySelectorAll("main button, main select, main input[type=number], header button")) {
    if (!control.checkVisibility() || control.disabled) continue;
    const style = getComputedStyle(control), border = parse(style.borderTopColor);
    if (!border.alpha || parseFloat(style.borderTopWidth) === 0) continue;
    const ratio = contrast(border.rgb, groundOf(control.parentElement));
    if (ratio < 3) faults.push(`border contrast ${ratio.toFixed(2)} of ${control.id || control.textContent.slice(0, 30)}`);
  }
  if (document.documentElement.scrollWidth > innerWidth) faults.push(`wider than the window: ${document.documentElement.scrollWidth}`);
  return faults;
})()
