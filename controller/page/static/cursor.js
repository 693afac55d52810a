/* Reads a plot off where a finger or pointer is: the time, and each line's value there. */
"use strict";
(() => {
  const NAMES = { base: "base", top: "top", house: "house", target: "target", vpd: "VPD",
    humidity: "humidity", film: "mist", mat: "mat", rooted: "rooted" };
  const zone = document.body.dataset.zone || "UTC";
  const clock = new Intl.DateTimeFormat("en-GB", { timeZone: zone, weekday: "short",
    day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
  const parsed = new WeakMap();
  let shown = null;

  /* Points of a path of M, L, H and V, a list for each unbroken stretch. */
  function stretches(path) {
    const d = path.getAttribute("d");
    const held = parsed.get(path);
    if (held && held.d === d) return held.found;
    const found = [];
    let x = 0, y = 0;
    for (const [, letter, first, second] of d.matchAll(/([MLHV])(-?[\d.]+)(?: (-?[\d.]+))?/g)) {
      if (letter === "V") y = Number(first);
      else x = Number(first);
      if (letter === "M" || letter === "L") y = Number(second);
      if (letter === "M") found.push([]);
      found[found.length - 1].push([x, y]);
    }
    parsed.set(path, { d, found });
    return found;
  }
  function heightAt(path, x) {
    for (const one of stretches(path)) {
      if (one.length < 2 || x < one[0][0] || x > one[one.length - 1][0]) continue;
      for (let i = 1; i < one.length; i++) {
        const [x0, y0] = one[i - 1], [x1, y1] = one[i];
        if (x <= x1) return x1 === x0 ? y1 : y0 + (y1 - y0) * (x - x0) / (x1 - x0);
      }
    }
    return null;
  }
  function unitOf(plot) {
    if (plot.dataset.unit) return plot.dataset.unit;
    const bold = plot.querySelector("figcaption b");
    const text = bold && bold.nextSibling && bold.nextSibling.nodeType === 3
      ? bold.nextSibling.textContent : "";
    return text.replace(/^, /, "").replace(/ \(.*$/, "").trim();
  }
  function read(plot, picture, share) {
    const at = picture.dataset, area = picture.querySelector("svg");
    const from = Number(at.fromS), to = Number(at.toS);
    const low = Number(at.low), high = Number(at.high), tall = Number(at.heightPx);
    const names = plot.dataset.names ? JSON.parse(plot.dataset.names) : NAMES;
    const values = [], told = new Set();
    for (const path of area.querySelectorAll("path")) {
      const look = path.getAttribute("class");
      if (!names[look] || told.has(look)) continue; // limits are drawn after the lines
      told.add(look);
      const y = heightAt(path, share * 1000);
      if (y === null) continue;
      const value = high - y / tall * (high - low);
      values.push(names[look] + " " + value.toFixed(high - low < 3 ? 2 : 1).replace("-", "\u2212"));
    }
    const when = clock.format(new Date((from + share * (to - from)) * 1000));
    return when + ": " +
      (values.length ? values.join(", ") + " " + unitOf(plot) : "nothing on record");
  }
  function hide() {
    if (shown) shown.remove();
    shown = null;
  }
  function show(event) {
    const picture = event.target.closest(".plot > svg[data-from-s]");
    if (!picture) { hide(); return; }
    const box = picture.querySelector("svg").getBoundingClientRect();
    const share = (event.clientX - box.left) / box.width;
    if (share < 0 || share > 1) { hide(); return; }
    const plot = picture.parentElement;
    if (!shown || shown.parentElement !== plot) {
      hide();
      shown = document.createElement("div");
      shown.className = "readout";
      shown.append(document.createElement("i"), document.createElement("output"));
      plot.append(shown);
    }
    const frame = plot.getBoundingClientRect();
    const [line, text] = shown.children;
    line.style.left = event.clientX - frame.left + "px";
    line.style.top = box.top - frame.top + "px";
    line.style.height = box.height + "px";
    text.textContent = read(plot, picture, share);
    text.style.top = box.top - frame.top - 4 + "px";
    text.style.left = Math.min(event.clientX - frame.left + 8,
      Math.max(0, frame.width - text.offsetWidth)) + "px";
  }
  addEventListener("pointermove", show);
  addEventListener("pointerdown", show);
  addEventListener("keydown", (event) => { if (event.key === "Escape") hide(); });
})();
