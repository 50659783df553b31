// What is wrong with how a page looks now, one sentence each.
({ print, forced }) => {
  const wrong = [];
  const short = (e) => {
    const text = (e.textContent || e.value || "").trim().replace(/\s+/g, " ").slice(0, 40);
    const of = typeof e.className === "string" && e.className ? "." + e.className.split(" ").join(".") : "";
    return `<${e.tagName.toLowerCase()}${of}> "${text}"`;
  };
  const shown = (e) => e.checkVisibility({ visibilityProperty: true }) && e.getClientRects().length > 0;
  // For those who listen only: a box of one pixel, or clipped to nothing.
  const unseen = (e) => {
    for (let up = e; up && up !== document.body; up = up.parentElement) {
      const style = getComputedStyle(up);
      if (style.clipPath === "inset(50%)" || up.classList.contains("skip")) return true;
    }
    return false;
  };
  const scrolls = (e) => {
    for (let up = e; up && up !== document.body; up = up.parentElement)
      if (["auto", "scroll"].includes(getComputedStyle(up).overflowX)) return true;
    return false;
  };
  const width = document.documentElement.clientWidth;

  if (!document.documentElement.lang) wrong.push("no language");
  if (!document.title.trim()) wrong.push("no title");
  const heads = document.querySelectorAll("h1");
  if (heads.length !== 1) wrong.push(`${heads.length} h1`);

  const wide = Math.max(document.documentElement.scrollWidth, document.body.scrollWidth);
  if (wide > width) wrong.push(`scrolls sideways: ${wide} px of ${width}`);

  const cut = [];
  for (const e of document.body.querySelectorAll("*")) {
    if (!shown(e) || unseen(e) || e.closest("svg")) continue;
    const has = [...e.childNodes].some((n) => n.nodeType === Node.TEXT_NODE && n.textContent.trim());
    if (!has && !["INPUT", "SELECT", "BUTTON"].includes(e.tagName)) continue;
    const style = getComputedStyle(e), box = e.getBoundingClientRect();
    const inside = scrolls(e);
    if (!inside && (box.right > width + 1 || box.left < -1)) cut.push(`leaves the screen: ${short(e)}`);
    const whole = style.textOverflow === "ellipsis" && e.closest("[title]") !== null;
    const clips = (way) => !["visible", "auto", "scroll"].includes(way);
    if (clips(style.overflowX) && e.scrollWidth > e.clientWidth + 1 && !whole) cut.push(`cut at the side: ${short(e)}`);
    if (clips(style.overflowY) && e.scrollHeight > e.clientHeight + 1 && !whole) cut.push(`cut below: ${short(e)}`);
    // A word that is wider than its place runs out of it.
    if (style.overflowX === "visible" && style.display !== "inline" && e.scrollWidth > e.clientWidth + 1 && !inside)
      cut.push(`runs out of its place: ${short(e)}`);
  }
  for (const svg of document.querySelectorAll("svg")) {
    if (!shown(svg)) continue;
    const frame = svg.getBoundingClientRect();
    const texts = [...svg.querySelectorAll("text")].filter((t) => t.textContent.trim() && !t.hasAttribute("aria-hidden") && shown(t));
    const boxes = texts.map((t) => t.getBoundingClientRect());
    texts.forEach((t, n) => {
      const b = boxes[n];
      if (b.left < frame.left - 1.5 || b.right > frame.right + 1.5 || b.top < frame.top - 1.5 || b.bottom > frame.bottom + 1.5)
        cut.push(`cut in a drawing: ${short(t)}`);
      for (let m = n + 1; m < boxes.length; m++) {
        const o = boxes[m];
        const over = Math.min(b.right, o.right) - Math.max(b.left, o.left), under = Math.min(b.bottom, o.bottom) - Math.max(b.top, o.top);
        // The boxes of texts have air above and below the letters.
        if (over > 2 && under > 0.3 * Math.min(b.height, o.height)) cut.push(`over another in a drawing: ${short(t)}, ${short(texts[m])}`);
      }
    });
  }
  const named = (what, list) => { if (list.length) wrong.push(`${list.length} ${what}: ${[...new Set(list)].slice(0, 4).join("; ")}`); };
  named("texts not whole", cut);

  if (forced) {
    // There what has no border is not seen to be one thing.
    const bare = [...document.querySelectorAll("main button, main .button, .need, .card, input:not([type=hidden]), select")].filter(
      (e) => shown(e) && !["radio", "checkbox"].includes(e.type) && parseFloat(getComputedStyle(e).borderTopWidth) === 0);
    named("without a border", bare.map(short));
  }
  if (print) {
    const seen = document.querySelector("nav.foot");
    if (seen && shown(seen)) wrong.push("ways to other pages are printed");
  } else {
    const small = [];
    for (const e of document.querySelectorAll("a[href], button, input, select, textarea, summary")) {
      if (!shown(e) || unseen(e) || e.type === "hidden" || e.closest("svg")) continue;
      let box = e.getBoundingClientRect();
      if (["radio", "checkbox"].includes(e.type)) {
        const label = e.closest("label") || (e.id && document.querySelector(`label[for="${CSS.escape(e.id)}"]`));
        if (label) box = label.getBoundingClientRect();
      }
      const running = e.tagName === "A" && !e.closest("nav, .buttons, .ways, .spans") && !e.classList.contains("button");
      const least = running ? 44 : 48;
      if (box.height < least - 0.5) small.push(`${short(e)} ${box.height.toFixed(0)} px`);
    }
    named("targets too low", small);
  }
  return wrong;
}
