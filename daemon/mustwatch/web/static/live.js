// Keeps a page up to date: when something was written, the page is fetched again and its live parts are replaced.
"use strict";

(() => {
  const AT_MOST_EVERY_MS = 3000;
  const state = document.getElementById("live-state");
  let last = 0;
  let timer = 0;
  let missed = false;

  const say = (text) => {
    if (state && state.textContent !== text) state.textContent = text;
  };

  const refresh = async () => {
    last = Date.now();
    missed = false;
    let fresh;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" }, redirect: "error" });
      if (!answer.ok) return;
      fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch {
      say("not connected: what you see may be old");
      return;
    }
    for (const part of document.querySelectorAll("[data-live]")) {
      const newer = fresh.getElementById(part.id);
      if (!newer || newer.innerHTML === part.innerHTML) continue;
      // Somebody is typing or about to tap in there: let them finish.
      if (part.contains(document.activeElement) && document.activeElement.matches("input, select, textarea")) continue;
      const opened = new Set([...part.querySelectorAll("details[open]")].map((d) => d.dataset.key || d.textContent));
      const { id, href } = part.contains(document.activeElement) ? document.activeElement : {};
      const focused = id ? `#${CSS.escape(id)}` : href ? `[href="${CSS.escape(document.activeElement.getAttribute("href"))}"]` : null;
      part.replaceChildren(...newer.childNodes);
      for (const d of part.querySelectorAll("details")) if (opened.has(d.dataset.key || d.textContent)) d.open = true;
      if (focused) part.querySelector(focused)?.focus({ preventScroll: true });
    }
    const now = fresh.querySelector(".dateline time");
    const dateline = document.querySelector(".dateline time");
    if (now && dateline) dateline.replaceWith(document.importNode(now, true));
    say(fresh.getElementById("live-state")?.textContent ?? "");
  };

  const soon = () => {
    document.dispatchEvent(new CustomEvent("mustwatch:changed"));
    if (document.hidden) {
      missed = true;
      return;
    }
    if (timer) return;
    const wait = Math.max(0, last + AT_MOST_EVERY_MS - Date.now());
    timer = setTimeout(() => {
      timer = 0;
      refresh();
    }, wait);
  };

  if (!document.body.dataset.live) return;
  const events = new EventSource(`/api/events?since=${document.body.dataset.version}`);
  events.addEventListener("changed", soon);
  events.addEventListener("open", () => say(state?.textContent.replace(/^not connected.*/, "connected again") ?? ""));
  events.addEventListener("error", () => say("not connected: what you see may be old"));
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && missed) soon();
  });
  addEventListener("pagehide", () => events.close());
})();
