// Keeps what is being typed until it is written, and lets the undo of what was written stand for a minute.
"use strict";

(() => {
  const KEPT_MS = 86400000;
  for (const one of document.querySelectorAll("[data-gone-after]")) setTimeout(() => one.remove(), one.dataset.goneAfter * 1000);
  const done = new URLSearchParams(location.search).get("done");
  if (done) localStorage.removeItem(done === "start" ? "/begin" : `${location.pathname}/record/${done}`);

  const form = document.querySelector("form[data-draft]");
  if (!form) return;
  const key = form.dataset.draft;
  const typed = () => [...new FormData(form)].filter(([name]) => !["form_token", "entry_key"].includes(name) && !name.endsWith("_shown"));
  const begun = JSON.stringify(typed());
  const forget = () => localStorage.removeItem(key);
  let draft = null;
  try {
    draft = JSON.parse(localStorage.getItem(key));
  } catch {
    forget();
  }
  // What a refused form shows, or the address asks for, is newer than any draft.
  if (draft && Date.now() - draft.at < KEPT_MS && !("refused" in form.dataset)) {
    const values = new Map();
    for (const [name, value] of draft.typed) values.set(name, [...(values.get(name) ?? []), value]);
    const asked = new URLSearchParams(location.search);
    for (const field of form.elements) {
      if (!field.name || field.type === "hidden" || asked.has(field.name)) continue;
      const kept = values.get(field.name) ?? [];
      if (["radio", "checkbox"].includes(field.type)) field.checked = kept.includes(field.value);
      else if (kept.length) field.value = kept[0];
    }
    const said = document.createElement("p");
    said.className = "hint";
    said.setAttribute("role", "status");
    said.append("What you had typed is here again. ");
    const anew = document.createElement("button");
    anew.type = "button";
    anew.className = "plain";
    anew.textContent = "Begin anew";
    anew.addEventListener("click", () => {
      forget();
      form.reset();
      said.remove();
    });
    said.append(anew);
    form.prepend(said);
  }
  form.addEventListener("input", () => {
    const now = typed();
    if (JSON.stringify(now) === begun) forget();
    else localStorage.setItem(key, JSON.stringify({ at: Date.now(), typed: now }));
  });
})();
