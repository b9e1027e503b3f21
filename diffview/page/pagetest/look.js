(() => {
  const out = [];
  const say = (what, el, more) => out.push(what + ": " + (el.tagName || "") + "." + (el.getAttribute?.("class") || "") + " " + JSON.stringify((el.textContent || "").trim().slice(0, 40)) + " " + more);
  const root = document.documentElement;
  if (root.scrollWidth > window.innerWidth) out.push("sideways scroll: " + root.scrollWidth + " px in a window of " + window.innerWidth);
  const parse = c => {
    const m = c.match(/[\d.]+/g).map(Number);
    return { r: m[0], g: m[1], b: m[2], a: m.length > 3 ? m[3] : 1 };
  };
  const luminance = c => {
    const f = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
    return 0.2126 * f(c.r) + 0.7152 * f(c.g) + 0.0722 * f(c.b);
  };
  const ground = el => {
    for (; el; el = el.parentElement) {
      const c = parse(getComputedStyle(el).backgroundColor);
      if (c.a === 1) return c;
    }
    return { r: 255, g: 255, b: 255, a: 1 };
  };
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let texts = 0;
  for (let n; (n = walk.nextNode());) {
    if (!n.data.trim()) continue;
    const el = n.parentElement;
    if (["STYLE", "title", "desc"].includes(el.tagName)) continue;
    const range = document.createRange();
    range.selectNodeContents(n);
    const box = range.getBoundingClientRect();
    const style = getComputedStyle(el);
    if (box.width === 0 || style.clipPath !== "none" || el.closest("thead, caption") && getComputedStyle(el.closest("thead, caption")).clipPath !== "none") continue;
    texts++;
    let size = parseFloat(style.fontSize);
    const svg = el.ownerSVGElement;
    if (svg) size *= svg.getScreenCTM().a;
    if (size < 11.99) say("small text", el, size + " px");
    const fore = parse(svg ? style.fill : style.color), back = ground(el);
    const a = luminance(fore), b = luminance(back);
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) say("low contrast", el, ratio.toFixed(2));
    if (box.right > window.innerWidth + 1) say("cut off", el, box.right + " px");
  }
  if (texts === 0) out.push("no text was found");
  for (const t of document.querySelectorAll("table")) {
    if (!t.querySelector("th[scope=col]") || !t.querySelector("th[scope=row]")) say("table without scope", t, "");
  }
  for (const s of document.querySelectorAll("svg.chart")) {
    if (s.getAttribute("role") !== "img" || !s.querySelector("title")?.textContent) say("picture without words", s, "");
    if (!s.closest("figure")?.querySelector("table")) say("picture without table", s, "");
  }
  for (const e of window.innerWidth < 700 ? [] : document.querySelectorAll("td > a > bdi, th > a > bdi")) {
    if (e.getClientRects().length < 2) continue;
    e.style.whiteSpace = "nowrap";
    if (e.getBoundingClientRect().width < 130) say("short name broken", e, "");
    e.style.whiteSpace = "";
  }
  const ids = new Set();
  for (const e of document.querySelectorAll("[id]")) {
    if (ids.has(e.id)) say("id twice", e, e.id);
    ids.add(e.id);
  }
  const policy = document.querySelector("meta[http-equiv=Content-Security-Policy]")?.content ?? "";
  for (const s of document.scripts) {
    if (s.type === "application/json") continue;
    if (!policy.includes(s.src ? "script-src 'self';" : "script-src 'sha256-")) out.push("the page has a script without a policy for it");
  }
  return out;
})()
