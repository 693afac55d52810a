/* Brings a page up to date in place. Everything is readable without it. */
"use strict";
(() => {
  const body = document.body, lost = document.getElementById("lost");
  const pause = document.getElementById("pause"), ago = document.getElementById("ago");
  if (!pause) return;
  const LOST_MS = 15000, SAY_MS = 10000, ASK_MS = 5000;
  const follow = "at=" + encodeURIComponent(body.dataset.at) +
    (body.dataset.query ? "&" + body.dataset.query : "");
  let heard = Date.now(), held = new URLSearchParams(location.search).get("still") === "1";
  let source = null, asking = null, said = 0, waiting = null, title = "";

  function alive() {
    heard = Date.now();
    if (body.classList.contains("lost")) {
      body.classList.remove("lost");
      lost.hidden = true;
      document.title = title;
    }
  }
  function look() {
    const gone = Date.now() - heard;
    const past = Math.round(gone / 1000);
    const words = held ? ", held still" : past < 6 ? ", just now" : ", " + past + " s ago";
    if (ago && ago.textContent !== words && !body.classList.contains("late"))
      ago.textContent = words;
    if (held || gone < LOST_MS) return;
    if (lost.hidden) {
      body.classList.add("lost");
      lost.hidden = false;
      title = document.title;
      document.title = "No word: " + title;
    }
    const told = "No word from Warmfoot for " + Math.round(gone / 1000) +
      " s. What you see is old; go and look at the bench.";
    if (lost.textContent !== told) lost.textContent = told;
  }
  function put(parts) {
    for (const [id, html] of Object.entries(parts)) {
      const place = document.getElementById(id);
      if (!place || place.dataset.shown === html) continue;
      place.dataset.shown = html;
      const fresh = document.createElement("template");
      fresh.innerHTML = html;
      if (fresh.innerHTML === place.innerHTML) continue;
      const active = document.activeElement;
      const inside = active && place.contains(active) ? active : null;
      if (inside && /^(INPUT|SELECT|TEXTAREA)$/.test(inside.tagName)) continue;
      const open = [...place.querySelectorAll("details[open]")].map((d) => order(place, d));
      const before = calls(place);
      const chosen = place.value;
      place.innerHTML = html;
      if (chosen !== undefined) place.value = chosen;
      const all = place.querySelectorAll("details");
      open.forEach((n) => { if (all[n]) all[n].open = true; });
      if (inside && inside.id) {
        const again = document.getElementById(inside.id);
        if (again) again.focus({ preventScroll: true });
      }
      tell(calls(place).filter((c) => !before.some((b) => b.id === c.id)));
    }
  }
  const order = (place, one) => [...place.querySelectorAll("details")].indexOf(one);
  const calls = (place) => [...place.querySelectorAll("[data-priority]")].map((c) => ({
    id: c.dataset.alarm, urgent: c.dataset.priority === "1",
    text: (c.querySelector("h3") || c).textContent }));
  function tell(fresh) {
    if (!fresh.length) return;
    waiting = (waiting || []).concat(fresh);
    const rest = Math.max(0, said + SAY_MS - Date.now());
    setTimeout(() => {
      if (!waiting) return;
      const urgent = waiting.some((c) => c.urgent);
      document.getElementById(urgent ? "urgent" : "news").textContent =
        waiting.map((c) => c.text).join(". ");
      waiting = null;
      said = Date.now();
    }, rest);
  }
  function ask() {
    fetch("/parts?" + follow, { cache: "no-store" }).then((answer) => {
      if (answer.status === 401) location.href = "/in";
      if (!answer.ok) throw new Error(String(answer.status));
      return answer.json();
    }).then((made) => { alive(); put(made.parts); }).catch(() => {});
  }
  function begin() {
    if (source || asking) return;
    heard = Date.now();
    if (!window.EventSource) { asking = setInterval(ask, ASK_MS); ask(); return; }
    source = new EventSource("/live?" + follow);
    source.addEventListener("parts", (event) => { alive(); put(JSON.parse(event.data)); });
    source.addEventListener("beat", alive);
    source.addEventListener("error", () => {
      if (source && source.readyState === EventSource.CLOSED) {
        source = null;
        if (!asking) asking = setInterval(ask, ASK_MS);
      }
    });
  }
  function end() {
    if (source) source.close();
    if (asking) clearInterval(asking);
    source = asking = null;
  }
  pause.setAttribute("role", "button");
  pause.addEventListener("click", (event) => {
    event.preventDefault();
    held = !held;
    pause.textContent = held ? "go on" : "hold still";
    if (held) end(); else begin();
  });
  pause.addEventListener("keydown", (event) => { if (event.key === " ") { event.preventDefault(); pause.click(); } });
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  setInterval(look, 1000);
  if (!held) begin();
})();
