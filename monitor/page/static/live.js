// Keeps an open page true: its age always counts, and what it shows is fetched anew after each round.
// Without this script a page is as true, at the time that it names.
"use strict";
(() => {
  const age = document.querySelector(".age[data-read]");
  const notice = document.getElementById("no-line");
  if (!notice || !window.EventSource) return;
  const SILENT_MS = 40000;
  let heard = Date.now(), ahead = 0, read = age ? Number(age.dataset.read) : 0, busy = false, later = false;

  const words = (ms) => {
    const s = Math.max(0, Math.round(ms / 1000));
    if (s < 90) return `${s} s`;
    return s < 5400 ? `${Math.round(s / 60)} min` : `${Math.round(s / 3600)} h`;
  };
  const tick = () => {
    if (age && read) age.querySelector("b").textContent = age.dataset.ago.replace("{span}", words(Date.now() + ahead - read));
    const lost = Date.now() - heard > SILENT_MS;
    notice.hidden = !lost;
    document.body.classList.toggle("lost", lost);
  };
  // Somebody who is writing, or who has opened something, is not disturbed.
  const occupied = () => {
    const at = document.activeElement;
    return (at && at.closest("form") && at.matches("input:not([type=hidden]), select, textarea")) || !!document.querySelector("main details[open]");
  };
  // What the focus is on, in a page that was fetched anew: the same link, or the same button by its words.
  const sameIn = (main, at) => [...main.querySelectorAll("a[href], button, summary")].find((x) => x.tagName === at.tagName
    && (at.hasAttribute("href") ? x.getAttribute("href") === at.getAttribute("href") : x.textContent === at.textContent));
  const pressing = (main) => [...main.querySelectorAll(".need.now h3")].map((x) => x.textContent.trim());
  const renew = async () => {
    if (busy || document.hidden || !document.body.dataset.live) { later = true; return; }
    if (occupied()) { later = true; return; }
    busy = true; later = false;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-store" });
      if (!answer.ok || answer.redirected) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const main = fresh.querySelector("main"), foot = fresh.querySelector("nav.foot"), newer = fresh.querySelector(".age[data-read]");
      if (main && !occupied()) {
        const old = document.querySelector("main"), at = document.activeElement, again = old.contains(at) && sameIn(main, at);
        const before = pressing(old), added = pressing(main).filter((words) => !before.includes(words));
        old.replaceWith(main);
        if (again) again.focus({ preventScroll: true });
        // Who hears the page instead of seeing it is told of what is new and for now.
        if (added.length) document.getElementById("heard").textContent = added.join(". ");
      }
      if (foot) document.querySelector("nav.foot").replaceWith(foot);
      if (newer && age) { age.firstChild.textContent = newer.firstChild.textContent; read = Number(newer.dataset.read); }
      tick();
    } catch { /* the line is told of by its age */ } finally { busy = false; }
  };
  const hear = (event) => {
    const told = JSON.parse(event.data);
    heard = Date.now();
    ahead = told.now_ms - heard;
    if (event.type === "round" && told.round_ms > read) renew();
    tick();
  };
  const line = new EventSource("/live");
  line.addEventListener("round", hear);
  line.addEventListener("sign", hear);
  document.addEventListener("visibilitychange", () => { if (!document.hidden && later) renew(); });
  setInterval(() => { tick(); if (later && !occupied()) renew(); }, 1000);
  tick();
})();
