/* What a browser makes of a page, measured on computed styles and boxes. One object of functions. */
({
  numbers(text) { return (text.match(/[\d.]+/g) || []).map(Number); },
  rgb(text) {
    const [r, g, b, a] = this.numbers(text);
    return b === undefined || a === 0 ? null : [r, g, b];
  },
  /* HSL saturation, 0..1. */
  saturation(text) {
    const found = this.rgb(text);
    if (!found) return 0;
    const [r, g, b] = found.map((one) => one / 255);
    const high = Math.max(r, g, b), low = Math.min(r, g, b), light = (high + low) / 2;
    return high === low ? 0 : (high - low) / (1 - Math.abs(2 * light - 1));
  },
  /* Relative luminance and contrast: WCAG 2.2. */
  bright(c) {
    const [r, g, b] = c.map((v) => v / 255).map((v) =>
      v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  },
  contrast(one, other) {
    const [high, low] = [this.bright(one), this.bright(other)].sort((a, b) => b - a);
    return (high + 0.05) / (low + 0.05);
  },
  behind(one) {
    for (let at = one; at; at = at.parentElement) {
      const c = this.rgb(getComputedStyle(at).backgroundColor);
      if (c) return c;
    }
    return this.rgb(getComputedStyle(document.documentElement).backgroundColor);
  },
  shown(one) {
    const box = one.getBoundingClientRect();
    return box.width > 0 && box.height > 0 && !one.closest(".unseen, .skip, [hidden]");
  },
  look(one) { return one.getAttribute("class") || ""; },

  saturated() {
    const found = [];
    const keys = ["color", "backgroundColor", "borderTopColor", "borderLeftColor", "fill", "stroke",
      "outlineColor"];
    for (const one of document.querySelectorAll("body, body *")) {
      const look = getComputedStyle(one);
      for (const key of keys)
        if (this.saturation(look[key]) > 0.25)
          found.push([one.closest("[id]")?.id, one.tagName, key, look[key]]);
    }
    return found;
  },
  /* Texts that stand out too little: 4.5 to 1, large ones 3 to 1. */
  pale() {
    const found = [];
    for (const one of document.querySelectorAll("body *")) {
      const own = [...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
      if (!own || one.closest(".unseen, title, noscript, script, .skip, [hidden]")) continue;
      const look = getComputedStyle(one);
      const ink = this.rgb(one.namespaceURI.endsWith("svg") ? look.fill : look.color);
      if (!ink) continue;
      const sign = one.closest(".sign")?.querySelector("path:not(.ring)");
      const ground = sign ? this.rgb(getComputedStyle(sign).fill) : this.behind(one);
      const ratio = this.contrast(ink, ground), size = parseFloat(look.fontSize);
      const large = size >= 24 || (size >= 18.66 && parseInt(look.fontWeight) >= 700);
      if (ratio < (large ? 3 : 4.5))
        found.push([one.tagName, this.look(one), one.textContent.slice(0, 40), ratio.toFixed(2)]);
    }
    return found;
  },
  /* Outlines of controls and lines of drawings under 3 to 1: [how many there are, the faint]. */
  faint() {
    const lines = ".plot path:is(.base, .top, .house, .target, .vpd, .mat, .film), .plot .frame, " +
      ".rail .rule, .rail .limit, .rail .good, .lean .rule, .stem, .section .cover, " +
      ".section .mat, .section .bracket, .section .good, .tray .cell, .tray .may, .curve .step, " +
      ".hatch path, button, .button, textarea, input:not([type=hidden]), select";
    const fills = ".tray .sure, .sign path:not(.ring), .rail .here, .lean .node, svg.months .mat";
    const found = [];
    let count = 0;
    for (const [drawn, key] of [[lines, "stroke"], [fills, "fill"]])
      for (const one of document.querySelectorAll(drawn)) {
        const look = getComputedStyle(one);
        let ink = this.rgb(one.namespaceURI.endsWith("svg") ? look[key] : look.borderTopColor);
        if (!ink) continue; // a hatched cell has its own lines
        count += 1;
        const sheet = this.behind(one.parentElement), share = Number(look.opacity);
        ink = ink.map((v, i) => share * v + (1 - share) * sheet[i]);
        const ratio = this.contrast(ink, sheet);
        if (ratio < 3) found.push([one.tagName, this.look(one), key, ratio.toFixed(2)]);
      }
    return [count, found];
  },
  /* What is pressed and too small: 44 px for acts, 24 px or as much room around for the rest. */
  small() {
    const acts = "button, .button, .pick, select, input:not([type=hidden], [type=radio], " +
      "[type=checkbox])";
    const every = [...document.querySelectorAll(`a, summary, ${acts}`)]
      .filter((one) => this.shown(one));
    const boxes = every.map((one) => [...one.getClientRects()]);
    const found = [];
    every.forEach((one, turn) => {
      if (one.matches(acts)) {
        const box = one.getBoundingClientRect();
        if (box.height < 44 || box.width < 44)
          found.push([one.innerText || one.name, box.width, box.height]);
        return;
      }
      for (const box of boxes[turn]) {
        if (Math.min(box.height, box.width) >= 24) continue;
        const x = box.left + box.width / 2, y = box.top + box.height / 2;
        const near = boxes.some((others, i) => i !== turn && others.some((b) =>
          Math.hypot(Math.max(b.left - x, 0, x - b.right), Math.max(b.top - y, 0, y - b.bottom)) < 12));
        if (near) found.push([one.innerText, box.width, box.height]);
      }
    });
    return [every.length, found];
  },
  /* Px between each risky button and the nearest other thing that can be pressed. */
  apart() {
    const every = [...document.querySelectorAll("a, summary, button, select, input:not([type=hidden])")]
      .filter((one) => this.shown(one));
    return every.filter((one) => one.matches(".risky")).map((one) => {
      const a = one.getBoundingClientRect();
      return Math.min(...every.filter((other) => other !== one).map((other) => {
        const b = other.getBoundingClientRect();
        return Math.max(b.left - a.right, a.left - b.right, b.top - a.bottom, a.top - b.bottom);
      }));
    });
  },
  /* Texts, also of drawings, that reach beyond the sides of the page. */
  outside() {
    const found = [], wide = document.documentElement.clientWidth;
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let at = walk.nextNode(); at; at = walk.nextNode()) {
      const one = at.parentElement;
      if (!at.textContent.trim() || !this.shown(one) || one.closest("title, script, noscript, datalist"))
        continue;
      const range = document.createRange();
      range.selectNodeContents(at);
      const box = range.getBoundingClientRect();
      if (box.left < -0.5 || box.right > wide + 0.5) found.push([at.textContent.trim(), box.left, box.right]);
    }
    return [document.documentElement.scrollWidth - wide, found];
  },
  /* What stands on the page in words, without drawings and what is folded away. */
  words() {
    const found = [];
    const walk = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
    for (let at = walk.nextNode(); at; at = walk.nextNode())
      if (!at.parentElement.closest("svg, option, script, datalist")) found.push(at.textContent);
    return found.join(" ").replace(/[ \n]+/g, " ");
  },
  /* What moves by itself: animations, and transitions of a thing that is shown. */
  moving() {
    return [...document.querySelectorAll("*")].filter((one) => {
      const look = getComputedStyle(one);
      return look.animationName !== "none" || look.transitionDuration.split(", ").some((t) => t !== "0s");
    }).map((one) => [one.tagName, one.id, getComputedStyle(one).transitionDuration]);
  },
})
