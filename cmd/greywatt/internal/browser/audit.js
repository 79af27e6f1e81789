// An audit of the page as it stands in the browser. It returns what is wrong.
//
// Contrast and its large-text limit are those of WCAG 2.2, success criterion
// 1.4.3 (AA): 4.5, and 3 for text of 24 px, or of 18.66 px in bold. Relative
// luminance is WCAG's own definition. Targets are of 24 px by 24 px or links
// within a line of text (2.5.8). Marks that carry meaning need 3 (1.4.11).
(() => {
  const wrong = [];
  const canvas = new OffscreenCanvas(1, 1).getContext("2d", { willReadFrequently: true });

  function rgba(css) {
    canvas.clearRect(0, 0, 1, 1);
    canvas.fillStyle = css;
    canvas.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = canvas.getImageData(0, 0, 1, 1).data;
    return { r, g, b, a: a / 255 };
  }

  const over = (top, under) => ({
    r: top.r * top.a + under.r * (1 - top.a), g: top.g * top.a + under.g * (1 - top.a), b: top.b * top.a + under.b * (1 - top.a), a: 1,
  });

  function luminance({ r, g, b }) {
    const part = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
    return 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  }

  function ratio(a, b) {
    const [hi, lo] = [luminance(a), luminance(b)].sort((x, y) => y - x);
    return (hi + 0.05) / (lo + 0.05);
  }

  // ground is what lies behind an element's text.
  function ground(el) {
    const layers = [];
    for (let e = el; e; e = e.parentElement) {
      const c = rgba(getComputedStyle(e).backgroundColor);
      layers.push(c);
      if (c.a === 1) break;
    }
    let under = { r: 255, g: 255, b: 255, a: 1 };
    for (const c of layers.reverse()) under = over(c, under);
    return under;
  }

  function opacity(el) {
    let o = 1;
    for (let e = el; e; e = e.parentElement) o *= Number(getComputedStyle(e).opacity);
    return o;
  }

  function seen(el) {
    const r = el.getBoundingClientRect();
    const s = getComputedStyle(el);
    return r.width > 1 && r.height > 1 && s.visibility === "visible" && r.right > 0 && r.bottom + scrollY > 0;
  }

  const name = (el) => `${el.tagName.toLowerCase()}${el.id ? "#" + el.id : ""} "${(el.textContent || "").trim().slice(0, 40)}"`;

  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let texts = 0;
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const el = node.parentElement;
    if (!node.data.trim() || el.closest("script, noscript, title, desc") || !seen(el)) continue;
    texts++;
    const s = getComputedStyle(el);
    const ink = rgba(el instanceof SVGElement ? s.fill : s.color);
    ink.a *= opacity(el);
    const under = ground(el);
    const got = ratio(over(ink, under), under);
    const size = parseFloat(s.fontSize), bold = Number(s.fontWeight) >= 700;
    const want = size >= 24 || (bold && size >= 18.66) ? 3 : 4.5;
    if (got < want) wrong.push(`contrast ${got.toFixed(2)}, want ${want}: ${name(el)}`);
    if (size < 11) wrong.push(`text of ${size} px: ${name(el)}`);
  }
  if (texts < 5) wrong.push(`only ${texts} texts looked at`);

  for (const el of document.querySelectorAll(".mark")) {
    const s = getComputedStyle(el);
    const under = ground(el.parentElement);
    const inks = [s.borderTopColor, s.backgroundColor].map(rgba).filter((c) => c.a > 0);
    if (s.backgroundImage === "none" && !inks.some((c) => ratio(over(c, under), under) >= 3)) wrong.push(`a mark that hardly shows: ${name(el.parentElement)}`);
  }

  for (const el of document.querySelectorAll("a, button, input:not([type=hidden])")) {
    if (!seen(el)) continue;
    const r = el.getBoundingClientRect();
    const inText = el.tagName === "A" && el.parentElement.tagName === "P" && el.parentElement.textContent.trim() !== el.textContent.trim();
    if (!inText && r.height < 24) wrong.push(`target ${r.width.toFixed(0)} x ${r.height.toFixed(0)} px: ${name(el)}`);
  }

  for (const id of new Set([...document.querySelectorAll("[aria-labelledby], [aria-describedby]")].flatMap((e) =>
    `${e.getAttribute("aria-labelledby") || ""} ${e.getAttribute("aria-describedby") || ""}`.split(/\s+/)))) {
    if (id && !document.getElementById(id)) wrong.push(`a label that is not there: ${id}`);
  }
  const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
  for (const id of new Set(ids.filter((id, i) => ids.indexOf(id) !== i))) wrong.push(`id twice: ${id}`);
  for (const el of document.querySelectorAll("input:not([type=hidden])")) if (!el.labels.length) wrong.push(`no label: ${name(el)}`);
  for (const el of document.querySelectorAll("table")) if (!el.caption || !el.caption.textContent.trim()) wrong.push(`table without a caption: ${name(el)}`);
  for (const el of document.querySelectorAll("thead th")) if (el.scope !== "col") wrong.push(`head without scope: ${name(el)}`);
  if (document.querySelectorAll("h1").length !== 1) wrong.push("not one h1");
  let level = 0;
  for (const h of document.querySelectorAll("h1, h2, h3, h4")) {
    const l = Number(h.tagName[1]);
    if (l > level + 1) wrong.push(`heading skips a level: ${name(h)}`);
    level = l;
  }
  if (!document.documentElement.lang || !document.title) wrong.push("no language or no title");
  if (document.querySelectorAll("main").length !== 1) wrong.push("not one main");
  const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
  if (wide > 0) wrong.push(`${wide} px wider than the window`);
  for (const img of document.querySelectorAll("img")) {
    if (!img.alt) wrong.push("picture without words");
    if (img.loading === "lazy" && !img.complete) continue; // not fetched before it is near the window
    if (!img.complete || !img.naturalWidth) wrong.push(`picture that does not show: ${img.src}`);
  }
  return wrong;
})()
