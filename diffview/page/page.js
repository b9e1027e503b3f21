"use strict";
for (const box of document.querySelectorAll(".cmd")) {
  const code = box.querySelector("code"), b = document.createElement("button");
  b.type = "button";
  b.textContent = "Copy";
  b.setAttribute("aria-label", "Copy: " + code.textContent);
  b.onclick = () => {
    const r = document.createRange();
    r.selectNodeContents(code);
    getSelection().removeAllRanges();
    getSelection().addRange(r);
    if (navigator.clipboard) navigator.clipboard.writeText(code.textContent).then(() => { b.textContent = "Copied"; }, () => {});
  };
  box.append(b);
}
const held = document.getElementById("data");
const data = held ? JSON.parse(held.textContent) : {};
const fold = s => s.toLowerCase().normalize("NFKD").replace(/\p{M}/gu, "");
const find = document.getElementById("find");
if (find && data.find) {
  const field = find.querySelector("input"), list = document.getElementById("found"), count = document.getElementById("count");
  const index = data.find.map(e => ({ name: e[0], href: e[1], kind: e[2], words: fold(e[0] + " " + e[2] + " " + e[3]) }));
  find.hidden = false;
  const look = () => {
    const words = fold(field.value).split(/\s+/).filter(Boolean);
    list.replaceChildren();
    if (!words.length) { count.textContent = ""; return; }
    const hits = index.filter(e => words.every(w => e.words.includes(w)));
    for (const e of hits.slice(0, 50)) {
      const li = document.createElement("li"), a = document.createElement("a");
      a.href = e.href;
      a.textContent = e.name;
      a.dir = "auto";
      li.append(a, " " + e.kind);
      list.append(li);
    }
    count.textContent = hits.length === 0 ? "Nothing found." : hits.length > 50 ? "The first 50 of " + hits.length + "." : hits.length + " found.";
  };
  field.oninput = look;
  find.onsubmit = e => { e.preventDefault(); look(); };
}
const narrow = document.getElementById("narrow");
if (narrow) {
  narrow.hidden = false;
  const field = narrow.querySelector("input"), said = document.getElementById("narrowed");
  const all = document.querySelectorAll(".f");
  narrow.onsubmit = e => e.preventDefault();
  field.oninput = () => {
    const want = fold(field.value.trim());
    let n = 0;
    for (const f of all) {
      const things = [...f.querySelectorAll(".which li")];
      for (const li of things) li.hidden = !fold(li.querySelector("bdi").textContent).includes(want);
      f.hidden = things.length ? things.every(li => li.hidden) : !fold(f.querySelector("h3").textContent).includes(want);
      for (const d of f.querySelectorAll("details:has(.which)")) d.open = want !== "" && !f.hidden;
      if (!f.hidden) n++;
    }
    said.textContent = want === "" ? "" : n === 0 ? "No finding of such a rig." : n + (n === 1 ? " finding." : " findings.");
  };
}
const pick = document.getElementById("pick");
if (pick && data.revisions) {
  pick.hidden = false;
  for (const e of document.querySelectorAll(".chosen")) e.hidden = false;
  const out = document.getElementById("differs");
  const show = () => {
    const at = n => data.revisions[Number(document.querySelector("input[name=" + n + "]:checked").value)];
    const a = at("from"), b = at("to"), body = document.createElement("tbody");
    let n = 0;
    for (const key of data.keys) {
      const x = a.values[key] ?? "–", y = b.values[key] ?? "–";
      if (x === y) continue;
      n++;
      const tr = document.createElement("tr");
      for (const [tag, text] of [["th", data.labels[key] || key], ["td", x + " → " + y]]) {
        const c = document.createElement(tag);
        if (tag === "th") c.scope = "row";
        c.textContent = text;
        tr.append(c);
      }
      body.append(tr);
    }
    out.querySelector("tbody").replaceWith(body);
    out.querySelector("caption").textContent = a.name + " to " + b.name + ": " + (n === 0 ? "no value differs" : n === 1 ? "1 value differs" : n + " values differ");
    out.hidden = false;
    out.scrollIntoView({ block: "nearest" });
  };
  pick.onclick = show;
}
