/* Brings a page up to date in place. Everything is readable without it. */
"use strict";
(() => {
  const body = document.body, byId = (id) => document.getElementById(id);
  const lost = byId("lost"), changed = byId("changed"), pause = byId("pause"), ago = byId("ago");
  if (!pause) return;
  const LOST_MS = 15000, SAY_MS = 10000, ASK_MS = 5000, TYPE_MS = 60000, ANEW_MS = 10000;
  const SAID_MS = 600000;
  const FIELDS = "input:not([type=hidden]), select, textarea";
  /* A browser lets a hidden page do little, once a minute at worst: it asks, and is lost later.
     One that is shown again gets a moment to ask before anybody is alarmed. */
  const HIDDEN_ASK_MS = 20000, HIDDEN_LOST_MS = 120000, WAKE_MS = 3000;
  const follow = "at=" + encodeURIComponent(body.dataset.at) +
    (body.dataset.query ? "&" + body.dataset.query : "");
  const due = {}, opened = now();
  let heard = opened, tried = opened, woken = null, touched = null, sent = null, said = null;
  let held = new URLSearchParams(location.search).get("still") === "1", out = false;
  let source = null, asking = null, waiting = null, title = "", frame = body.dataset.frame;

  /* A clock may be set back, and the other may stand while the machine sleeps. */
  function now() { return { at: Date.now(), ran: performance.now() }; }
  const since = (then) => then === null ? Infinity
    : Math.max(Date.now() - then.at, performance.now() - then.ran);
  function words(ms) {
    const s = Math.round(ms / 1000);
    for (const [unit, name] of [[86400, "d"], [3600, "h"], [60, "min"]])
      if (s >= 2 * unit) return Math.floor(s / unit) + "\u00a0" + name;
    return s + "\u00a0s";
  }

  // -- how old it is ----------------------------------------------------------------------------

  function alive() {
    heard = now();
    if (!body.classList.contains("lost")) return;
    body.classList.remove("lost");
    lost.hidden = true;
    document.title = title;
  }
  function look() {
    const gone = since(heard);
    const late = body.classList.contains("late");
    const told = held ? ", held still" : late ? "" : gone < 5500 ? ", just now"
      : ", " + words(gone) + " ago";
    if (ago && ago.textContent !== told) ago.textContent = told;
    settle();
    const answer = document.querySelector(".said");
    if (answer && since(opened) >= SAID_MS && since(touched) >= TYPE_MS) answer.remove();
    if (held) return;
    renew();
    if (gone >= LOST_MS && since(tried) >= LOST_MS) again();
    if (gone < (document.hidden || since(woken) < WAKE_MS ? HIDDEN_LOST_MS : LOST_MS)) return;
    if (lost.hidden) {
      body.classList.add("lost");
      lost.hidden = false;
      title = document.title;
      document.title = "No word: " + title;
    }
    const alarm = "No word from Warmfoot for " + words(gone) +
      ". What you see is old; go and look at the bench.";
    if (lost.textContent !== alarm) lost.textContent = alarm;
  }

  // -- parts of the page ------------------------------------------------------------------------

  const fields = (place) => [...place.querySelectorAll(FIELDS)];
  function typed(one) {
    if (one.tagName === "SELECT") {
      const all = [...one.options], set = all.some((o) => o.defaultSelected);
      return all.some((o, n) => o.selected !== (set ? o.defaultSelected : n === 0));
    }
    if (/^(checkbox|radio)$/.test(one.type)) return one.checked !== one.defaultChecked;
    return one.value !== one.defaultValue;
  }
  /* By what an element is found again after its surroundings were made anew. */
  const near = (one) => one.parentElement.closest("[id]");
  const like = (one) => [...near(one).querySelectorAll(one.tagName)];
  const name = (one) => near(one).id + " " + one.tagName + " " + like(one).indexOf(one);
  function put(parts) {
    Object.assign(due, parts);
    settle();
  }
  function settle() {
    for (const [id, html] of Object.entries(due)) {
      const place = byId(id);
      if (place && place.dataset.shown !== html) {
        if (busy(place)) continue;
        place.dataset.shown = html;
        show(place, html);
      }
      delete due[id];
    }
    body.classList.toggle("late", !!document.querySelector("#age [data-late]"));
  }
  /* A finger is on it, or somebody types there: its turn comes a little later. */
  function busy(place) {
    const active = document.activeElement;
    return place.querySelector(":active") || (active && place.contains(active) &&
      active.matches(FIELDS) && since(touched) < TYPE_MS);
  }
  function show(place, html) {
    const fresh = document.createElement("template");
    fresh.innerHTML = html;
    if (fresh.innerHTML === place.innerHTML) return;
    const active = document.activeElement;
    const focused = active && active !== place && place.contains(active)
      ? active.id || name(active) : null;
    const open = [...place.querySelectorAll("details[open]")].map(name);
    const kept = new Map(fields(place).filter(typed).map((one) => [name(one), one]));
    const before = calls(place), chosen = place.value;
    place.innerHTML = html;
    if (chosen !== undefined) place.value = chosen;
    for (const one of place.querySelectorAll("details")) if (open.includes(name(one))) one.open = true;
    for (const one of fields(place)) {
      const own = kept.get(name(one));
      if (own) { one.value = own.value; one.checked = own.checked; }
    }
    if (focused) {
      const found = byId(focused) ||
        [...place.querySelectorAll(FIELDS + ", a, button, summary")].find((one) => name(one) === focused);
      if (found) found.focus({ preventScroll: true });
    }
    tell(calls(place).filter((c) => !before.some((b) => b.id === c.id)));
  }
  const calls = (place) => [...place.querySelectorAll("[data-priority]")].map((c) => ({
    id: c.dataset.alarm, urgent: c.dataset.priority === "1",
    text: (c.querySelector("h3") || c).textContent }));
  function tell(fresh) {
    if (!fresh.length) return;
    waiting = (waiting || []).concat(fresh);
    setTimeout(() => {
      if (!waiting) return;
      const urgent = waiting.some((c) => c.urgent);
      byId(urgent ? "urgent" : "news").textContent = waiting.map((c) => c.text).join(". ");
      waiting = null;
      said = now();
    }, Math.max(0, SAY_MS - since(said)));
  }

  // -- the page has become another one ----------------------------------------------------------

  function renew() {
    const other = frame !== body.dataset.frame;
    let told = "";
    if (out) told = "You are no longer let in here, so nothing that you send is taken. " +
      "What you typed stays until you leave this page.";
    else if (other && "typed" in body.dataset) told = "Warmfoot was started again since this form " +
      "was opened. What you typed stays; it is shown once more before it is taken.";
    else if (other && typing()) told = "This page has changed since it was opened. It is loaded " +
      "anew when nothing is typed in its fields any more.";
    if (changed.textContent !== told) changed.textContent = told;
    changed.hidden = !told;
    if (told || !other) return;
    if (since(opened) < ANEW_MS || since(sent) < ANEW_MS * 2 || waiting || since(said) < SAY_MS)
      return;
    sent = now();
    const query = body.dataset.query ? "?" + body.dataset.query : ""; // without an old answer
    history.replaceState(null, "", location.pathname + query + location.hash);
    location.reload();
  }
  function typing() {
    const active = document.activeElement;
    return (active && active.matches(FIELDS) && since(touched) < TYPE_MS) ||
      fields(body).some(typed);
  }
  function marked(mark) {
    frame = mark;
    out = false;
    renew();
  }

  // -- word from the server ---------------------------------------------------------------------

  function ask() {
    const gives_up = AbortSignal.timeout ? AbortSignal.timeout(2 * ASK_MS) : undefined;
    fetch("/parts?" + follow, { cache: "no-store", signal: gives_up }).then((answer) => {
      if (answer.status === 401) {
        out = "typed" in body.dataset || typing();
        if (out) renew(); else location.href = "/in";
      }
      if (!answer.ok) throw new Error(String(answer.status));
      return answer.json();
    }).then((made) => {
      if (held) return;
      alive();
      put(made.parts);
      marked(made.frame);
    }).catch(() => {});
  }
  function ask_on() {
    if (asking) return;
    asking = setInterval(ask, document.hidden ? HIDDEN_ASK_MS : ASK_MS);
    ask();
  }
  function begin() {
    if (source || asking) return;
    tried = now();
    /* A browser keeps six connections to one place, for all of its pages together. */
    if (!window.EventSource || document.hidden) { ask_on(); return; }
    source = new EventSource("/live?" + follow);
    source.addEventListener("parts", (event) => { alive(); put(JSON.parse(event.data)); });
    source.addEventListener("frame", (event) => { alive(); marked(event.data); });
    source.addEventListener("beat", alive);
    source.addEventListener("error", () => {
      if (!source || source.readyState !== EventSource.CLOSED) return;
      source = null;
      ask_on();
    });
  }
  function end() {
    if (source) source.close();
    if (asking) clearInterval(asking);
    source = asking = null;
  }
  /* A line that died without a word, as while the machine slept. */
  function again() {
    end();
    begin();
    if (source) ask();
  }
  function wake() {
    if (held) return;
    if (!document.hidden) woken = now();
    again();
    look();
  }

  pause.setAttribute("role", "button");
  pause.addEventListener("click", (event) => {
    event.preventDefault();
    held = !held;
    pause.textContent = held ? "go on" : "hold still";
    if (held) end(); else wake();
  });
  pause.addEventListener("keydown", (event) => { if (event.key === " ") { event.preventDefault(); pause.click(); } });
  for (const kind of ["input", "keydown", "pointerdown"])
    addEventListener(kind, () => { touched = now(); }, { capture: true, passive: true });
  addEventListener("submit", () => { sent = now(); });
  document.addEventListener("visibilitychange", wake);
  addEventListener("online", wake);
  addEventListener("pageshow", (event) => { if (event.persisted) wake(); });
  setInterval(look, 1000);
  if (!held) begin();
})();
