"use strict";
(() => {
const keep = {
  get: k => { try { return JSON.parse(localStorage.getItem(k)); } catch { return null; } },
  set: (k, v) => { try { v === null ? localStorage.removeItem(k) : localStorage.setItem(k, JSON.stringify(v)); } catch {} },
};
const here = location.pathname;

// What is ticked stays on this phone.
const ticked = box => {
  const k = "ticks:" + here + ":" + (box.dataset.of || ""), all = keep.get(k) || {};
  box.checked = all[box.dataset.tick] === true;
  box.addEventListener("change", () => {
    const now = keep.get(k) || {};
    box.checked ? now[box.dataset.tick] = true : delete now[box.dataset.tick];
    keep.set(k, now);
    count();
  });
};
const count = () => {
  const all = document.querySelectorAll("input[data-tick]"), out = document.getElementById("ticked");
  if (out) out.textContent = [...all].filter(e => e.checked).length + " of " + all.length + " keyed in";
  let next = true;
  for (const e of all) {
    e.closest("label")?.classList.toggle("next", next && !e.checked);
    next = next && e.checked;
  }
};
for (const box of document.querySelectorAll(".box")) {
  const e = document.createElement("input");
  e.type = "checkbox";
  e.className = "tick";
  e.dataset.tick = box.parentElement.textContent.trim();
  e.setAttribute("aria-label", "Done: " + e.dataset.tick);
  box.replaceWith(e);
}
const bind = () => { document.querySelectorAll("input[data-tick]").forEach(ticked); count(); };
bind();

// A page at the stand says whether the server is there, and keeps an answer until it is saved.
if (!document.getElementById("con")) return;
const slot = "waiting:" + here;
let waiting = keep.get(slot), up = null, beat = Date.now(), events = null, sending = false;
const con = () => document.getElementById("con");
const say = (good, word, text) => {
  const box = con(), st = box.querySelector(".st");
  box.classList.toggle("off", !good);
  st.hidden = false;
  st.className = "st " + (good ? "good" : "bad");
  st.replaceChildren(Object.assign(document.createElement("i"), { textContent: good ? "✓" : "✗", ariaHidden: "true" }), word);
  box.querySelector(".soft").textContent = text;
};
const saved = () => con().dataset.saved;
const lock = () => {
  for (const b of document.querySelectorAll("form.ask button")) {
    const it = waiting && waiting.body.endsWith("do=" + encodeURIComponent(b.value));
    b.disabled = !!waiting && b.value !== "back" && !it;
    b.classList.toggle("wait", !!it);
  }
};
const state = () => {
  if (up === "pair") say(false, "Not paired", "Scan a new code at the laptop." + (waiting ? " " + waiting.word + " is kept on this phone." : ""));
  else if (up) say(true, "Connected", waiting ? "saving " + waiting.word : saved());
  else if (up === false) say(false, "No connection", waiting ? waiting.word + " is not saved yet. Trying again" : "Nothing is lost. Trying again");
  lock();
};
const put = (text, url) => {
  const doc = new DOMParser().parseFromString(text, "text/html"), main = doc.querySelector("main");
  if (!doc.getElementById("con") || new URL(url).pathname !== here) { location.href = url; return; }
  if (url !== location.href) history.replaceState(null, "", url);
  const heard = con().dataset.events;
  document.querySelector("main").replaceWith(main);
  document.title = doc.title;
  bind();
  if (con().dataset.events !== heard) listen();
  state();
  document.getElementById("set")?.focus({ preventScroll: true });
  scrollTo(0, 0);
};
const lost = () => { if (up !== "pair") up = false; state(); };
const seen = () => {
  beat = Date.now();
  const was = up;
  up = true;
  if (was !== true) { state(); if (waiting) post(); }
};
const ask = async (method, body) => {
  const r = await fetch(location.href, { method, body, signal: AbortSignal.timeout(8000) });
  if (r.status === 401) { up = "pair"; state(); return null; }
  if (r.status >= 500 || r.status === 429) throw new Error(r.status);
  return r;
};
const post = async () => {
  if (sending || !waiting) return;
  sending = true;
  const body = new URLSearchParams(waiting.body), token = document.querySelector("form.ask input[name=token]");
  if (token) body.set("token", token.value);
  try {
    const r = await ask("POST", body);
    if (r) {
      const text = await r.text();
      waiting = null;
      keep.set(slot, null);
      up = true;
      beat = Date.now();
      put(text, r.url);
    }
  } catch { lost(); }
  sending = false;
};
const refresh = async () => {
  if (waiting || [...document.querySelectorAll("form.ask input, form.ask textarea")].some(e => e === document.activeElement && e.type !== "hidden")) return;
  try {
    const r = await ask("GET");
    if (r) put(await r.text(), r.url);
  } catch { lost(); }
};
document.addEventListener("submit", e => {
  const f = e.target;
  if (!f.matches("form.ask") || f.enctype === "multipart/form-data") return;
  e.preventDefault();
  const b = e.submitter;
  if (waiting) {
    if (b && b.value === "back") { waiting = null; keep.set(slot, null); state(); refresh(); }
    return;
  }
  const body = new URLSearchParams(new FormData(f));
  if (b) body.append("do", b.value);
  waiting = { body: body.toString(), word: (b && b.dataset.word) || "The answer" };
  keep.set(slot, waiting);
  state();
  post();
});
const listen = () => {
  if (events) events.close();
  events = new EventSource(con().dataset.events);
  events.onmessage = e => { seen(); if (e.data !== con().dataset.version) refresh(); };
  events.addEventListener("beat", seen);
  events.onerror = lost;
};
listen();
setInterval(() => {
  if (Date.now() - beat > 7000) lost();
  if (up === false || up === "pair") {
    if (events.readyState === EventSource.CLOSED) listen();
    ask("GET").then(r => { if (r) seen(); }, () => {});
  }
}, 2500);
addEventListener("offline", lost);
state();
})();
