// Keeps what was typed into a form until the logger has it: through a reload, a
// lost connection, or signing in again. The form's id is kept with it, so that what
// is sent twice counts once.
"use strict";

(() => {
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
  const kept = (el) => el.name && el.name !== "token" && !el.name.endsWith("_strokes") && el.type !== "password" && el.type !== "file";

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
