// Keeps the cellar as it was seen last, for when the shed cannot be reached; only where the pages are served by TLS.
"use strict";

const KEPT = "cellar";

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const keep = async (request, answer) => (await caches.open(KEPT)).put(request, answer);

const cellar = async (request) => {
  try {
    const answer = await fetch(request);
    // Signed out, nothing is left on the phone.
    if (answer.redirected || answer.status === 401) await caches.delete(KEPT);
    else if (answer.ok) await keep("/", answer.clone());
    return answer;
  } catch (lost) {
    const kept = await caches.match("/");
    if (!kept) throw lost;
    const text = (await kept.text()).replace("<body ", '<body data-kept="yes" ');
    return new Response(text, { headers: kept.headers });
  }
};

const file = async (request) => {
  const kept = await caches.match(request);
  if (kept) return kept;
  const answer = await fetch(request);
  if (answer.ok) await keep(request, answer.clone());
  return answer;
};

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { pathname, origin } = new URL(request.url);
  if (origin !== location.origin) return;
  if (request.method === "POST" && pathname === "/leave") event.waitUntil(caches.delete(KEPT));
  if (request.method !== "GET") return;
  if (pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (pathname === "/") event.respondWith(cellar(request));
});
