// Keeps a page up to date: when something was written, the page is fetched again and its live parts are replaced.
// Between that it says by itself how old everything is: silence is not good news.
"use strict";

(() => {
  const AT_MOST_EVERY_MS = 3000;
  const OLD_MS = 3 * 3600000;
  const TICK_MS = 5000;
  const AGAIN_MS = 3000; // where something is shown that the store does not know of
  const state = document.getElementById("live-state");
  let skew = 0; // how much later it is in the cellar than on this clock
  let last = 0;
  let timer = 0;
  let missed = false;

  const say = (text) => {
    if (state && state.textContent !== text) state.textContent = text;
  };
  const isLost = () => document.body.classList.contains("lost");
  const connected = (is) => {
    if (is) say(document.body.classList.contains("stale") ? "Not live" : "Live");
    else if (!isLost()) say(`Not connected since ${clock(Date.now() + skew)}`);
    document.body.classList.toggle("lost", !is);
  };
  const zone = document.body.dataset.zone;
  const clock = (ms) => new Date(ms).toLocaleTimeString("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit" });
  const span = (ms) => {
    const units = [[86400000, "day"], [3600000, "hour"], [60000, "minute"], [1000, "second"]];
    const [size, name] = units.find(([size]) => ms >= size * (size > 60000 ? 1.5 : 1)) ?? units[3];
    const count = Math.max(1, Math.round(ms / size));
    return `${count} ${name}${count === 1 ? "" : "s"}`;
  };
  const tick = () => {
    const now = Date.now() + skew;
    for (const one of document.querySelectorAll("time[data-ago]")) if (one.dateTime) one.textContent = `${span(now - Date.parse(one.dateTime))} ago`;
    for (const one of document.querySelectorAll("[data-observed]")) one.classList.toggle("old", !one.dataset.observed || now - Date.parse(one.dataset.observed) > OLD_MS);
  };
  const set = () => {
    const now = document.querySelector(".dateline time");
    if (now && !document.body.dataset.kept) skew = Date.parse(now.dateTime) - Date.now();
    tick();
    for (const one of document.querySelectorAll("[data-copy]")) one.hidden = false;
    if (document.querySelector("[data-again]")) setTimeout(soon, AGAIN_MS);
    const count = Number(document.querySelector(".masthead .count")?.firstChild.textContent ?? 0);
    if (count) navigator.setAppBadge?.(count).catch(() => {});
    else navigator.clearAppBadge?.().catch(() => {});
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
      connected(false);
      return;
    }
    for (const part of document.querySelectorAll("[data-live]")) {
      const newer = fresh.getElementById(part.id);
      if (!newer || newer.innerHTML === part.innerHTML) continue;
      // Somebody is typing or about to tap in there, or has marked something to copy: let them finish.
      if (!getSelection().isCollapsed && part.contains(getSelection().anchorNode)) continue;
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
    delete document.body.dataset.kept;
    document.title = fresh.title;
    document.body.classList.toggle("stale", fresh.body.classList.contains("stale"));
    connected(true);
    set();
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

  // An answer to an alert is sent from here, so that nobody loses their place; undoing it stands where it was given.
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-stay]")) return;
    event.preventDefault();
    const body = new URLSearchParams(new FormData(form, event.submitter));
    const answer = await fetch(form.action, { method: "POST", body, redirect: "manual" }).catch(() => null);
    if (!answer || answer.type !== "opaqueredirect") {
      connected(Boolean(answer));
      if (answer) location.reload();
      return;
    }
    const first = body.get("ids");
    await refresh();
    document.querySelector(`form[data-stay]:has([name=ids][value="${CSS.escape(first)}"]) button`)?.focus({ preventScroll: true });
  });

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-copy]");
    if (!button) return;
    // Over plain HTTP there is no clipboard for scripts: what is selected can be copied all the same.
    getSelection().selectAllChildren(document.getElementById(button.dataset.copy));
    button.textContent = document.execCommand("copy") ? "Copied" : "Selected: copy it";
  });

  if (!document.body.dataset.live) return;
  const events = new EventSource(`/api/events?since=${document.body.dataset.version}`);
  events.addEventListener("changed", soon);
  if (document.body.dataset.kept) {
    document.body.classList.add("lost");
    say(`Not connected: the cellar as of ${document.querySelector(".dateline time").textContent}`);
  }
  if (location.protocol === "https:") navigator.serviceWorker?.register("/sw.js");
  events.addEventListener("open", () => (isLost() ? refresh() : connected(true)));
  events.addEventListener("error", () => connected(false));
  set();
  setInterval(tick, TICK_MS);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && missed) soon();
  });
  addEventListener("pagehide", () => events.close());
})();
