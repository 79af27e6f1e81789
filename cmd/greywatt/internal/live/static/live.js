// Follows the page's stream: writes figures, puts parts in place, and draws the
// last minutes. Without it the page shows how things stood when it was loaded.
"use strict";

(() => {
  const body = document.body;
  const url = body.dataset.stream;
  if (!url) return;

  const byId = (id) => document.getElementById(id);
  const link = byId("link");
  const silentMS = 25000; // the logger sends something every ten seconds
  let source = null, timer = 0, wait = 1000, heard = 0;

  // ---- the stream

  function connect() {
    clearTimeout(timer);
    if (source) source.close();
    source = new EventSource(url);
    heard = Date.now();
    source.onmessage = (e) => {
      heard = Date.now();
      wait = 1000;
      connected(true);
      take(JSON.parse(e.data));
    };
    source.onerror = () => {
      connected(false, "The connection to the logger is lost. What stands here may be old; trying again.");
      if (source.readyState === EventSource.CLOSED) ask();
    };
  }

  // ask finds out why the logger does not let the stream be, and tries again.
  async function ask() {
    let words = "";
    try {
      const answer = await fetch(url, { method: "HEAD", cache: "no-store" });
      if (answer.status === 401) return location.reload();
      if (answer.status === 503) words = "Too many pages are being followed. What stands here is of when it was loaded; trying again.";
      if (answer.status === 404) words = "This page is no longer there.";
    } catch { /* not there at all: the words before hold */ }
    if (words) connected(false, words);
    clearTimeout(timer);
    timer = setTimeout(connect, wait);
    wait = Math.min(wait * 2, 30000);
  }

  function connected(is, words) {
    body.classList.toggle("old", !is);
    link.classList.toggle("off", !is);
    const text = is ? "" : words;
    if (link.textContent !== text) link.textContent = text;
  }

  setInterval(() => {
    if (source && !document.hidden && Date.now() - heard > silentMS) connect();
  }, 5000);

  // A browser grants a host few connections: a page that is not looked at gives
  // its one back.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) {
      clearTimeout(timer);
      if (source) source.close();
      source = null;
    } else if (!source) {
      strip.clear();
      connect();
    }
  });
  addEventListener("pagehide", () => source && source.close());

  // ---- what it brings

  function take(m) {
    for (const [id, text] of Object.entries(m.t || {})) {
      const el = byId(id);
      if (el && el.textContent !== text) el.textContent = text;
    }
    for (const [id, html] of Object.entries(m.h || {})) {
      const el = byId(id);
      if (el) keepFocus(() => { el.innerHTML = html; });
    }
    for (const [id, html] of Object.entries(m.r || {})) {
      const el = byId(id);
      if (!el) continue;
      const t = document.createElement("template");
      t.innerHTML = html;
      keepFocus(() => el.replaceWith(t.content.firstElementChild));
    }
    if (m.r && document.querySelector(".empty")) location.reload();
    if (m.s) strip.add(m.s);
  }

  // keepFocus puts the focus back on the link that had it before a change.
  function keepFocus(change) {
    const had = document.activeElement;
    const href = had && had.getAttribute && had.getAttribute("href");
    change();
    if (!href || document.contains(had)) return;
    for (const a of document.querySelectorAll("main a")) {
      if (a.getAttribute("href") === href) return a.focus({ preventScroll: true });
    }
  }

  // ---- the last minutes

  const strip = (() => {
    const figure = byId("strip");
    if (!figure) return { add() {}, clear() {} };
    const svg = figure.querySelector("svg");
    const unit = byId("unit");
    const spanMS = Number(figure.dataset.from) * 1000;
    const gapMS = 150000; // no line across more than two missed readings at rest
    const heldMS = 15000;
    const names = ["waste in", "waste out", "cold in", "preheated", "flow"];
    const onLMin = 0.8;
    let series = [[], [], [], [], []], edge = 0, due = false;

    function add(s) {
      edge = Math.max(edge, s.base + s.edge * 100);
      s.p.forEach((p, c) => {
        const t = series[c];
        for (let i = 0; i < p.length; i += 2) {
          const at = s.base + p[i] * 100;
          if (!t.length || at > t[t.length - 1].at) t.push({ at, v: p[i + 1] });
        }
        const old = t.findIndex((q) => q.at >= edge - spanMS - 60000);
        if (old > 0) t.splice(0, old);
      });
      const flow = series[4][series[4].length - 1];
      if (unit) unit.classList.toggle("flows", Boolean(flow) && flow.v >= onLMin && edge - flow.at < 60000);
      redraw();
    }

    function clear() { series = [[], [], [], [], []]; edge = 0; }

    function redraw() {
      if (due) return;
      due = true;
      requestAnimationFrame(() => { due = false; draw(); });
    }
    new ResizeObserver(redraw).observe(svg);

    function el(name, attributes, text) {
      const e = document.createElementNS("http://www.w3.org/2000/svg", name);
      for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
      if (text !== undefined) e.textContent = text;
      return e;
    }

    // scale returns round bounds around lo and hi and a step between lines.
    function scale(lo, hi, least, lines) {
      if (hi - lo < least) { const mid = (hi + lo) / 2; lo = mid - least / 2; hi = mid + least / 2; }
      const step = [1, 2, 5, 10, 20, 50].find((s) => (hi - lo) / s <= lines) || 100;
      return { lo: Math.floor(lo / step) * step, hi: Math.ceil(hi / step) * step, step };
    }

    function draw() {
      const w = svg.clientWidth, h = svg.clientHeight;
      svg.setAttribute("viewBox", `0 0 ${w} ${h}`);
      const shown = series.map((t) => {
        const i = t.findIndex((p) => p.at >= edge - spanMS);
        return i < 0 ? [] : t.slice(Math.max(0, i - 1));
      });
      const temps = shown.slice(0, 4).flat().map((p) => p.v);
      const parts = [];
      const left = 30, right = w - (w > 520 ? 92 : 8), floor = h - 18, split = Math.round(floor * 0.67);
      const x = (at) => right - (edge - at) / spanMS * (right - left);
      const bare = !temps.length && !shown[4].length;
      figure.classList.toggle("bare", bare);
      if (bare) {
        parts.push(el("text", { x: 0, y: 18 }, "No readings of the last minutes."));
        svg.replaceChildren(...parts);
        return;
      }
      const box = (top, bottom, s, unit) => {
        const y = (v) => bottom - (v - s.lo) / (s.hi - s.lo) * (bottom - top);
        for (let v = s.lo; v <= s.hi + 1e-9; v += s.step) {
          parts.push(el("path", { class: "grid", d: `M${left} ${y(v).toFixed(1)}H${right}` }));
          parts.push(el("text", { x: left - 5, y: y(v) + 4, "text-anchor": "end" }, String(Math.round(v))));
        }
        parts.push(el("text", { x: left + 2, y: top - 4 }, unit));
        return y;
      };
      // Between readings far apart a flow stays what it was: it does not grow by
      // and by as a straight line would have it.
      const line = (t, y, held) => {
        let d = "", before = null;
        for (const p of t) {
          const at = x(p.at).toFixed(1);
          if (!before || p.at - before.at > gapMS) d += `M${at} ${y(p.v).toFixed(1)}`;
          else if (held && p.at - before.at > heldMS) d += `H${at}V${y(p.v).toFixed(1)}`;
          else d += `L${at} ${y(p.v).toFixed(1)}`;
          before = p;
        }
        return d;
      };
      // A point before the left edge leads the line in; the frame cuts it off.
      const cut = el("clipPath", { id: "strip-cut" });
      cut.append(el("rect", { x: left, y: 0, width: Math.max(0, right - left) + 2, height: h }));
      parts.push(cut);

      const f = scale(0, Math.max(10, ...shown[4].map((p) => p.v)), 1, 2);
      const yf = box(split + 34, floor, f, "l/min");
      if (shown[4].length > 1) {
        const d = line(shown[4], yf, true);
        const first = shown[4][0], last = shown[4][shown[4].length - 1];
        parts.push(el("path", { class: "area", "clip-path": "url(#strip-cut)", d: `${d.replaceAll("M", "L").replace("L", "M")}L${x(last.at).toFixed(1)} ${floor}L${x(first.at).toFixed(1)} ${floor}Z` }));
        parts.push(el("path", { class: "series s4", "clip-path": "url(#strip-cut)", d }));
      }
      if (temps.length) {
        const y = box(16, split, scale(Math.min(...temps), Math.max(...temps), 10, 5), "°C");
        const ends = [];
        shown.slice(0, 4).forEach((t, c) => {
          if (!t.length) return;
          parts.push(el("path", { class: `series s${c}`, "clip-path": "url(#strip-cut)", d: line(t, y) }));
          ends.push({ y: y(t[t.length - 1].v) + 4, text: names[c] });
        });
        if (w > 520) {
          ends.sort((a, b) => a.y - b.y);
          for (let i = 1; i < ends.length; i++) ends[i].y = Math.max(ends[i].y, ends[i - 1].y + 13);
          for (const e of ends) parts.push(el("text", { x: right + 8, y: e.y }, e.text));
        }
      }
      for (let back = 0; back <= spanMS; back += 120000) {
        const at = edge - back;
        const words = back === 0 ? "now" : `−${back / 60000} min`;
        if (w < 420 && (back / 120000) % 2 === 1) continue;
        parts.push(el("text", { x: x(at), y: h - 4, "text-anchor": back === 0 ? "end" : "middle" }, words));
      }
      svg.replaceChildren(...parts);
    }

    return { add, clear };
  })();

  if (!document.hidden) connect();
})();
