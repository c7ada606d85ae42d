/* Keeps the open page fresh: asks what has changed since the rendering it shows and changes just that, in
   place. The browser's half of dashboard/fresh.py. */
"use strict";
(function () {
  const EVERY_MS = { now: 5000, day: 120000 };
  const PATIENCE_MS = 10000;
  const LEAF_ATTRIBUTES = ["data-value", "data-turns"];
  const asking = {};
  const askedAt = {};
  let answers = 0;

  /* The leaves of a section in the order of dashboard/fresh.py: attributes of a tag, then its text. */
  function leaves(section) {
    section.normalize();
    const found = [];
    const walker = document.createTreeWalker(section, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node !== null; node = walker.nextNode()) {
      if (node.nodeType === Node.TEXT_NODE) {
        found.push((text) => { node.data = text; });
      } else {
        for (const name of node.getAttributeNames()) {
          if (LEAF_ATTRIBUTES.includes(name)) found.push((text) => node.setAttribute(name, text));
        }
      }
    }
    return found;
  }

  /* Whether the section could be changed: its leaves must be those that the server speaks of. */
  function renewed(section, part) {
    if (part.html !== undefined) {
      section.innerHTML = part.html;
      return true;
    }
    const found = leaves(section);
    if (found.length !== part.of) return false;
    part.set.forEach(([place, text]) => found[place](text));
    return true;
  }

  async function renew(group) {
    const main = document.querySelector("main");
    if (asking[group] || document.hidden || main === null || main.dataset[group] === undefined) return;
    asking[group] = true;
    askedAt[group] = Date.now();
    try {
      const address = (main.dataset.fresh || "/fresh?") + "of=" + group + "&seen=" + main.dataset[group];
      const answer = await fetch(address, { signal: AbortSignal.timeout(PATIENCE_MS) });
      if (answer.status === 401) location.reload();
      if (!answer.ok) return;
      const told = await answer.json();
      if (!main.isConnected) return;
      const whole = Object.entries(told.parts).every(([name, part]) => {
        const section = main.querySelector("#" + name);
        return section === null || renewed(section, part);
      });
      main.dataset[group] = whole ? told.seen : "none";
      if (group === "now" && told.parts.lead !== undefined && told.parts.lead.html !== undefined) renew("day");
      const mark = document.getElementById("as-of");
      if (mark !== null) mark.dataset.count = String((answers += 1));
    } catch (error) {
      if (!(error instanceof TypeError || error instanceof DOMException)) throw error;
    } finally {
      asking[group] = false;
    }
  }

  function look() {
    for (const [group, everyMs] of Object.entries(EVERY_MS)) {
      if (askedAt[group] === undefined) askedAt[group] = Date.now();
      if (Date.now() - askedAt[group] >= everyMs) renew(group);
    }
  }

  function renewAll() {
    Object.keys(EVERY_MS).forEach(renew);
  }

  const warning = document.getElementById("unrenewed");
  if (warning !== null) warning.remove();
  setInterval(look, 1000);
  document.addEventListener("visibilitychange", renewAll);
  document.addEventListener("otherwise-written", renewAll);
})();
