// What is entered is sent once. Without a network it is kept on the telephone and sent with the same key later, so that
// it is entered once, however often it was sent. All words come from the page.
"use strict";

(() => {
  const WAIT_MS = 20000; // so long an answer is waited for, and so often what waits is tried again
  const NOT_NOW = [401, 403, 408, 429]; // these, and what the room itself cannot do (5xx), are tried again
  const shown = document.getElementById("kept");
  if (!shown || !window.indexedDB || !window.fetch) return;
  const words = shown.dataset;
  let sending = false;
  let timer = 0;
  const sent = []; // what was sent since this page was opened

  // -- kept on the telephone ------------------------------------------------------------------------------------------

  const opened = new Promise((done, failed) => {
    const asked = indexedDB.open("entries", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("entries", { keyPath: "key" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });

  async function kept(mode, work) {
    const store = (await opened).transaction("entries", mode).objectStore("entries");
    return new Promise((done, failed) => {
      const asked = work(store);
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => failed(asked.error);
    });
  }
  const keep = (entry) => kept("readwrite", (store) => store.put(entry));
  const forget = (key) => kept("readwrite", (store) => store.delete(key));
  const all = async () => (await kept("readonly", (store) => store.getAll())).sort((a, b) => a.made - b.made);

  // -- sending --------------------------------------------------------------------------------------------------------

  // Rejects where nobody answers in time.
  async function send(entry, accept) {
    const form = document.querySelector('meta[name="form-key"]');
    const fields = entry.fields.concat([["form_key", form ? form.content : ""]]);
    // By how long it waited and not by the telephone's clock, which may be wrong.
    fields.push(["waited_s", String(Math.max(0, Math.round((Date.now() - entry.made) / 1000)))]);
    const stop = new AbortController();
    const late = setTimeout(() => stop.abort(), WAIT_MS);
    try {
      const answer = await fetch(entry.action, {
        method: "POST", body: new URLSearchParams(fields), headers: { Accept: accept }, signal: stop.signal,
        credentials: "same-origin", cache: "no-store",
      });
      return { status: answer.status, ok: answer.ok, url: answer.redirected ? answer.url : "", text: await answer.text() };
    } finally {
      clearTimeout(late);
    }
  }

  // What a page is just sending is its own until it must have given up.
  const underWay = (entry) => entry.state === "sending" && Date.now() - entry.tried < 2 * WAIT_MS;
  const notNow = (status) => status >= 500 || NOT_NOW.includes(status);

  // What an answer says: the room's own words, or those of a page that refuses. Nothing where it is no answer of the
  // room, as of a network that wants a sign-in first.
  function saidBy(answer) {
    try { return JSON.parse(answer.text); } catch (error) { if (answer.ok) return null; }
    const page = new DOMParser().parseFromString(answer.text, "text/html");
    return { what: [...page.querySelectorAll("main h1, main .said")].map((e) => e.textContent.trim()).join(" ") };
  }

  async function sendWaiting() {
    // The page for when the room does not answer has no key of a session: it sends nothing.
    if (sending || words.away) return;
    sending = true;
    try {
      for (const entry of await all()) {
        if (entry.state === "refused" || underWay(entry)) continue;
        const answer = await send(entry, "application/json");
        if (notNow(answer.status)) break;
        const said = saidBy(answer);
        if (!said) break;
        if (answer.ok && said.address) {
          await forget(entry.key);
          sent.push({ ...entry, address: said.address });
        } else {
          await keep({ ...entry, state: "refused", why: [said.what, said.fix].filter(Boolean).join(". ") });
        }
      }
    } catch (error) {
      // Nobody answers: it waits on.
    } finally {
      sending = false;
      await show();
    }
  }

  // -- shown ----------------------------------------------------------------------------------------------------------

  function put(parent, tag, text, given) {
    const made = Object.assign(document.createElement(tag), given || {});
    made.textContent = text;
    return parent.appendChild(made);
  }

  function named(text, entry) {
    const at = new Date(entry.made).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: words.zone });
    return text.replace("{what}", () => entry.what).replace("{when}", at);
  }

  async function show() {
    const entries = await all();
    shown.replaceChildren();
    for (const entry of entries.filter((one) => !underWay(one))) {
      const line = put(shown, "div", "", { className: entry.state === "refused" ? "kept wrong" : "kept" });
      put(line, "p", named(entry.state === "refused" ? words.refused : words.waiting, entry));
      put(line, "p", entry.state === "refused" ? entry.why : words.later, { className: "small" });
      if (entry.state !== "refused") continue;
      put(line, "a", words.anew, { className: "button plain", href: entry.action });
      put(line, "button", words.seen, { className: "plain", type: "button" }).addEventListener("click", async () => {
        await forget(entry.key);
        await show();
      });
    }
    for (const entry of sent) {
      const line = put(shown, "div", "", { className: "kept" });
      put(put(line, "p", ""), "a", named(words.sent, entry), { href: entry.address });
    }
    shown.hidden = !shown.childElementCount;
    clearTimeout(timer);
    if (!words.away && entries.some((entry) => entry.state !== "refused")) timer = setTimeout(sendWaiting, WAIT_MS);
  }

  // -- pressed --------------------------------------------------------------------------------------------------------

  function entryOf(form, pressed) {
    const fields = [...new FormData(form)].filter(([name, value]) => name !== "form_key" && typeof value === "string");
    let said = "";
    if (pressed && pressed.name) {
      fields.push([pressed.name, pressed.value]);
      said = pressed.value;
    } else {
      const typed = form.querySelector('[name$="_typed"]:not([type="datetime-local"])');
      said = typed ? typed.value : "";
    }
    const key = (fields.find(([name]) => name === "key") || [])[1];
    const what = form.dataset.waits.replace("{}", () => said).trim();
    const now = Date.now();
    return { key, action: new URL(form.action).pathname, fields, what, made: now, tried: now, state: "sending" };
  }

  function showAnswer(html) {
    const page = new DOMParser().parseFromString(html, "text/html");
    const main = page.querySelector("main");
    if (!main) return false;
    document.querySelector("main").replaceWith(document.adoptNode(main));
    document.title = page.title;
    // What stands here now is no page of an address that could be fetched anew.
    delete document.body.dataset.live;
    main.tabIndex = -1;
    main.focus();
    window.scrollTo(0, 0);
    return true;
  }

  function busy(form, is) {
    form.setAttribute("aria-busy", String(is));
    for (const button of form.querySelectorAll("button")) button.disabled = is;
  }

  async function press(form, entry, pressed) {
    try {
      // Before it is sent: a telephone may end the page at any moment.
      await keep(entry);
    } catch (error) {
      // Nothing can be kept here: it is sent as if there were no script.
      if (pressed && pressed.name) put(form, "input", "", { type: "hidden", name: pressed.name, value: pressed.value });
      return form.submit();
    }
    let answer = null;
    try {
      answer = await send(entry, "text/html");
    } catch (error) {
      answer = null;
    }
    if (answer && !notNow(answer.status)) {
      await forget(entry.key);
      if (answer.url) return location.assign(answer.url);
      if (showAnswer(answer.text)) return undefined;
    } else {
      await keep({ ...entry, state: "waiting" });
      form.hidden = true;
    }
    busy(form, false);
    await show();
    shown.focus();
    return undefined;
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.hasAttribute("data-last") || event.defaultPrevented) return;
    const entry = entryOf(form, event.submitter);
    if (!entry.key) return;
    event.preventDefault();
    if (form.getAttribute("aria-busy") === "true") return;
    busy(form, true);
    press(form, entry, event.submitter);
  });

  // A page that comes back as it was has a form that was sent already, and values that are old.
  window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  window.addEventListener("online", sendWaiting);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) sendWaiting(); });
  if (navigator.serviceWorker) navigator.serviceWorker.register("/worker.js").catch(() => {});

  // -- on the page for when the room does not answer ------------------------------------------------------------------

  // Back to the room as soon as it answers.
  async function back() {
    try {
      const answer = await fetch("/", { cache: "no-store", credentials: "same-origin" });
      if (answer.ok) return location.replace("/");
    } catch (error) {
      // Not yet.
    }
    await show();
    return setTimeout(back, WAIT_MS);
  }

  // Which eggs lie where, as the room's page named them last.
  // Each as [what names the eggs, their words, their box]: "K01/upper#2" is "K01 in upper (2)".
  function places() {
    let found = "";
    try { found = localStorage.getItem("places") || ""; } catch (error) { /* nothing is kept here */ }
    return [...found.matchAll(/(?<=^| )([\w-]+)\/([\w-]+)(?:#(\d+))?(?= |$)/g)]
      .map(([lot, clutch, box, again]) => [lot, `${clutch} in ${box}${again ? ` (${again})` : ""}`, box]);
  }

  function offerAway(form) {
    const eggs = form.querySelector("select"), count = form.querySelector("input");
    for (const [lot, name] of places()) put(eggs, "option", name, { value: lot });
    form.hidden = eggs.options.length < 2;
    form.addEventListener("submit", (event) => event.preventDefault());
    form.addEventListener("click", async (event) => {
      const button = event.target.closest("button");
      if (!button) return;
      event.preventDefault();
      const looked = button.dataset.kind === "looked";
      if (!eggs.reportValidity() || (!looked && !count.reportValidity())) return;
      const [lot, , box] = places().find(([id]) => id === eggs.value);
      const key = [...crypto.getRandomValues(new Uint8Array(16))].map((n) => n.toString(16).padStart(2, "0")).join("");
      const given = { "{answer}": looked ? "" : count.value, "{kind}": button.dataset.did, "{where}": box };
      const what = form.dataset.waits.replace(/\{\w+\}/g, (place) => given[place]).trim();
      const said = looked ? ["sure", "yes"] : ["eggs", count.value];
      const now = Date.now();
      await keep({
        key, action: `/box/${encodeURIComponent(box)}/enter/${button.dataset.kind}`, what, made: now, tried: now,
        fields: [["key", key], ["eggs_of", lot], ["at", "now"], said], state: "waiting",
      });
      form.reset();
      await show();
      shown.focus();
    });
  }

  if (words.away) {
    show();
    offerAway(document.getElementById("away"));
    window.addEventListener("online", back);
    setTimeout(back, WAIT_MS);
  } else {
    // Browsers keep pages, and put them on a home screen, for a line that nobody else reads; elsewhere that is said.
    const plain = document.getElementById("plain-line");
    if (plain) plain.hidden = window.isSecureContext;
    const found = document.getElementById("places");
    if (found) try { localStorage.setItem("places", found.dataset.places); } catch (error) { /* nothing is kept here */ }
    sendWaiting();
  }
})();
