// Keeps what was typed into a form until the logger has it: through a reload, a
// lost connection, or signing in again. The form's id is kept with it, so that what
// is sent twice counts once.
"use strict";

(() => {
  const curve = document.querySelector("svg.curve");
  if (curve) {
    const rated = document.getElementById("rated");
    rated.addEventListener("input", () => draw(curve, rated.value));
    addEventListener("DOMContentLoaded", () => draw(curve, rated.value));
    draw(curve, rated.value);
  }

  // draw shows rated points as they are typed: flow from 0 to 20 l/min, effectiveness
  // from 0 to 1.
  function draw(svg, text) {
    const points = text.split("\n").map((line) => line.trim().replaceAll(",", ".").split(/\s+/).map(Number))
      .filter((p) => p.length === 2 && p[0] > 0 && p[1] > 0 && p[1] < 1).sort((a, b) => a[0] - b[0]);
    const x = (q) => 30 + Math.min(q, 20) / 20 * 260, y = (e) => 100 - e * 90;
    const el = (name, attributes, words) => {
      const e = document.createElementNS("http://www.w3.org/2000/svg", name);
      for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
      if (words) e.textContent = words;
      return e;
    };
    const parts = [el("path", { d: "M30 10V100H290" })];
    for (const e of [0, 0.5, 1]) parts.push(el("text", { x: 24, y: y(e) + 4, "text-anchor": "end" }, String(e)));
    for (const q of [5, 10, 15]) parts.push(el("text", { x: x(q), y: 114, "text-anchor": "middle" }, String(q)));
    parts.push(el("text", { x: 290, y: 114, "text-anchor": "end" }, "l/min"));
    if (points.length) {
      parts.push(el("path", { class: "rated", d: "M" + points.map((p) => `${x(p[0])} ${y(p[1])}`).join("L") }));
      for (const p of points) parts.push(el("circle", { cx: x(p[0]), cy: y(p[1]), r: 3.5 }));
    }
    svg.replaceChildren(...parts);
  }

  for (const pad of document.querySelectorAll("canvas.pad")) signing(pad);

  // signing lets a finger write: strokes go into the field as thousandths of the
  // pad's width and height.
  function signing(pad) {
    const field = pad.parentElement.querySelector("input[type=hidden]");
    const pen = pad.getContext("2d");
    pen.lineWidth = 3;
    pen.lineCap = "round";
    pen.strokeStyle = "#14181a";
    let strokes = [], stroke = null;
    const at = (e) => {
      const r = pad.getBoundingClientRect();
      return [Math.round((e.clientX - r.left) / r.width * 1000), Math.round((e.clientY - r.top) / r.height * 1000)];
    };
    const write = () => { field.value = strokes.map((s) => s.map((p) => p.join(",")).join(" ")).join(";"); };
    pad.addEventListener("pointerdown", (e) => {
      pad.setPointerCapture(e.pointerId);
      stroke = [at(e)];
      strokes.push(stroke);
      e.preventDefault();
    });
    pad.addEventListener("pointermove", (e) => {
      if (!stroke) return;
      const [x0, y0] = stroke[stroke.length - 1], [x, y] = at(e);
      if (Math.abs(x - x0) + Math.abs(y - y0) < 4) return;
      stroke.push([x, y]);
      pen.beginPath();
      pen.moveTo(x0 / 1000 * pad.width, y0 / 1000 * pad.height);
      pen.lineTo(x / 1000 * pad.width, y / 1000 * pad.height);
      pen.stroke();
      write();
    });
    for (const end of ["pointerup", "pointercancel"]) pad.addEventListener(end, () => { stroke = null; write(); });
    pad.parentElement.querySelector(".clear").addEventListener("click", () => {
      strokes = [];
      pen.clearRect(0, 0, pad.width, pad.height);
      write();
    });
  }

  for (const input of document.querySelectorAll("input[type=file]")) input.addEventListener("change", () => shrink(input));

  // shrink makes a photo small before it is sent over a poor link: some 300 kB. What
  // it cannot read is sent as it is, and judged by the logger.
  async function shrink(input) {
    const file = input.files[0];
    if (!file) return;
    try {
      const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, 1400 / Math.max(picture.width, picture.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.round(picture.width * scale);
      canvas.height = Math.round(picture.height * scale);
      const pen = canvas.getContext("2d");
      pen.fillStyle = "#fff";
      pen.fillRect(0, 0, canvas.width, canvas.height);
      pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
      const small = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85));
      if (!small || input.files[0] !== file) return;
      const files = new DataTransfer();
      files.items.add(new File([small], "photo.jpg", { type: "image/jpeg" }));
      input.files = files.files;
      input.dataset.small = small.size;
    } catch { /* as it is */ }
  }

  let store;
  try { store = sessionStorage; } catch { return; } // storage is switched off

  const noted = document.querySelector("[data-noted]");
  if (noted) {
    for (const key of Object.keys(store)) {
      if (key.startsWith("form ") && store[key].includes(JSON.stringify(noted.dataset.noted))) store.removeItem(key);
    }
  }
  const form = document.querySelector("form[data-keep]");
  if (!form) return;
  const key = "form " + form.dataset.keep;
  const kept = (el) => el.name && el.name !== "token" && el.name !== "figures" && !el.name.endsWith("_strokes") && el.type !== "password" && el.type !== "file";

  if (store[key] && !document.getElementById("wrong")) {
    const had = JSON.parse(store[key]);
    for (const el of form.elements) {
      if (!kept(el) || !(el.name in had)) continue;
      if (el.type === "radio" || el.type === "checkbox") el.checked = had[el.name].includes(el.value);
      else el.value = had[el.name][0];
    }
  }
  const keep = () => {
    const has = {};
    for (const el of form.elements) {
      if (!kept(el)) continue;
      has[el.name] ||= [];
      if (el.type !== "radio" && el.type !== "checkbox" || el.checked) has[el.name].push(el.value);
    }
    store[key] = JSON.stringify(has);
  };
  form.addEventListener("input", keep);
  form.addEventListener("submit", () => {
    keep();
    const button = form.querySelector("button:not([type=button])");
    if (button) button.setAttribute("aria-busy", "true");
  });
  document.getElementById("wrong")?.focus();
})();
