// Keeps what was typed into a form until the logger has it: through a reload, a
// lost connection, or signing in again. The form's id is kept with it, so that what
// is sent twice counts once.
"use strict";

(() => {
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
  const kept = (el) => el.name && el.name !== "token" && el.type !== "password" && el.type !== "file";

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
