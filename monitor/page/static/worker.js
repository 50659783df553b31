// Keeps what pages look like and do, and one page for when the room does not answer. Never a page of the room: what it
// says would be old. STAMP and SHELL stand above.
"use strict";

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(STAMP).then((kept) => kept.addAll(SHELL)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const old = (names) => Promise.all(names.filter((name) => name !== STAMP).map((name) => caches.delete(name)));
  event.waitUntil(caches.keys().then(old).then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const asked = event.request, url = new URL(asked.url);
  if (asked.method !== "GET" || url.origin !== self.location.origin) return;
  if (asked.mode === "navigate") {
    event.respondWith(fetch(asked).catch(() => caches.match("/offline").then((page) => page || Response.error())));
  } else if (SHELL.includes(url.pathname + url.search)) {
    event.respondWith(caches.match(asked).then((kept) => kept || fetch(asked)));
  }
});
