/* Lets a finger, a mouse or a wheel move and spread the pictures of a closer look (dashboard/pages/closer.py).
   The time under each finger stays under it. When the fingers rest, the part that they chose is fetched and put
   in the place of the old one, and its address into the browser's history; the page's links go the same way. */
"use strict";
(function () {
  const PARTS = ["told", "pictures", "moves", "lengths", "flaws", "table", "first", "second", "files"];
  const STILL_PX = 8; // a finger that moves less has tapped
  const TWICE_MS = 300; // two taps within are one double tap
  const APART_PX = 24; // fingers closer together do not spread
  const TWICE_NEARER = 3; // what a double tap magnifies
  const LONG_MS = 12 * 3600 * 1000; // from then on a view begins and ends at steps
  const LONG_GRID_MS = 5 * 60 * 1000; // that the store has summed up already
  const REST_MS = 200; // a wheel that stands still so long is done
  const NO_ANSWER = "✕ No answer from the page’s computer. The pictures are as before.";

  const box = document.getElementById("closer-pictures");
  if (box === null) return;
  const fingers = new Map(); // pointer's id -> { x, ms under it, x where it came down }
  let drawn, shown, asking, resting, tapping, spread;
  read();

  function read() {
    drawn = { from: Number(box.dataset.from), to: Number(box.dataset.to) };
    shown = { ...drawn };
  }

  /* The field that moves, behind the scale: every picture has one of the same width and place. */
  function field() {
    const { left, width } = box.querySelector(".picture").getBoundingClientRect();
    const scale = (Number(box.dataset.scale) / 100) * width;
    return { left: left + scale, width: width - scale };
  }

  function timeAt(x) {
    const { left, width } = field();
    return shown.from + ((x - left) / width) * (shown.to - shown.from);
  }

  function preview() {
    const length = shown.to - shown.from;
    const scale = (drawn.to - drawn.from) / length;
    const shift = ((drawn.from - shown.from) / length) * field().width;
    for (const each of box.querySelectorAll(".goes")) {
      each.style.transform = scale === 1 && shift === 0 ? "" : `translateX(${shift}px) scaleX(${scale})`;
    }
  }

  /* Within the shortest and the longest look, and not further than half of it ahead of now. */
  function bound(from, to) {
    const length = Math.min(Math.max(to - from, Number(box.dataset.least)), Number(box.dataset.most));
    const middle = Math.min((from + to) / 2, Number(box.dataset.now));
    shown = { from: middle - length / 2, to: middle + length / 2 };
    preview();
  }

  function follow() {
    const { left, width } = field();
    const [one, other] = [...fingers.values()];
    let perPx = (shown.to - shown.from) / width;
    if (other !== undefined && Math.abs(one.x - other.x) >= APART_PX) {
      const wide = (one.ms - other.ms) / (one.x - other.x);
      if (wide > 0) perPx = wide;
    }
    const from = one.ms - (one.x - left) * perPx;
    bound(from, from + width * perPx);
  }

  function around(x, times) {
    const ms = timeAt(x);
    bound(ms - (ms - shown.from) * times, ms + (shown.to - ms) * times);
  }

  function addressOf(view) {
    const query = new URLSearchParams(location.search);
    const grid = view.to - view.from > LONG_MS ? LONG_GRID_MS : 1000;
    for (const edge of ["from", "to"]) {
      query.set(edge, new Date(Math.round(view[edge] / grid) * grid).toISOString().replace(".000Z", "Z"));
    }
    return `${location.pathname}?${query}`;
  }

  function settle() {
    clearTimeout(resting);
    if (shown.from !== drawn.from || shown.to !== drawn.to) show(addressOf(shown), true);
  }

  async function show(address, isNew) {
    asking?.abort();
    const mine = (asking = new AbortController());
    box.setAttribute("aria-busy", "true");
    let page;
    try {
      const answer = await fetch(address, { signal: mine.signal });
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch (error) {
      if (error.name !== "AbortError") {
        giveUp();
      }
      return;
    }
    if (mine !== asking) return;
    if (page.getElementById(box.id) === null) {
      location.assign(address); // another page answers there, such as one that asks for the PIN
      return;
    }
    if (isNew) history.pushState(null, "", address);
    put(page);
  }

  function giveUp() {
    box.removeAttribute("aria-busy");
    read();
    preview();
    const told = document.getElementById("closer-told");
    if (!told.textContent.startsWith(NO_ANSWER)) told.prepend(NO_ANSWER);
  }

  function put(page) {
    const moved = document.activeElement?.dataset?.move;
    const place = document.activeElement?.parentElement?.id;
    const before = box.getBoundingClientRect().top;
    for (const name of PARTS) {
      const old = document.getElementById(`closer-${name}`);
      const next = page.getElementById(`closer-${name}`);
      if (old !== null && next !== null) old.replaceChildren(...next.childNodes);
    }
    document.querySelector("footer").replaceChildren(...page.querySelector("footer").childNodes);
    Object.assign(box.dataset, page.getElementById(box.id).dataset);
    box.removeAttribute("aria-busy");
    read();
    window.scrollBy(0, box.getBoundingClientRect().top - before);
    if (moved !== undefined && place) {
      document.querySelector(`#${place} [data-move="${CSS.escape(moved)}"]`)?.focus({ preventScroll: true });
    }
  }

  function tapped(x, link) {
    if (tapping !== undefined) {
      clearTimeout(tapping);
      tapping = undefined;
      around(x, 1 / TWICE_NEARER);
      settle();
      return;
    }
    tapping = setTimeout(() => {
      tapping = undefined;
      if (link !== null) show(link, true);
    }, TWICE_MS);
  }

  box.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    asking?.abort();
    box.removeAttribute("aria-busy");
    box.setPointerCapture(event.pointerId);
    if (fingers.size === 0) spread = false;
    const link = event.target.closest("a")?.getAttribute("href") ?? null;
    fingers.set(event.pointerId, { x: event.clientX, down: event.clientX, ms: timeAt(event.clientX), link });
    for (const finger of fingers.values()) finger.ms = timeAt(finger.x);
  });
  box.addEventListener("pointermove", (event) => {
    const finger = fingers.get(event.pointerId);
    if (finger === undefined) return;
    finger.x = event.clientX;
    spread ||= fingers.size > 1 || Math.abs(finger.x - finger.down) >= STILL_PX;
    if (spread) follow();
  });
  box.addEventListener("pointerup", (event) => {
    const finger = fingers.get(event.pointerId);
    if (!fingers.delete(event.pointerId)) return;
    for (const other of fingers.values()) other.ms = timeAt(other.x);
    if (fingers.size > 0) return;
    if (spread) settle();
    else tapped(finger.x, finger.link);
  });
  box.addEventListener("pointercancel", (event) => {
    if (!fingers.delete(event.pointerId)) return;
    shown = { ...drawn };
    preview();
  });
  box.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      const px = event.deltaMode === 0 ? 1 : 20;
      around(event.clientX, Math.exp(event.deltaY * px * 0.002));
      clearTimeout(resting);
      resting = setTimeout(settle, REST_MS);
    },
    { passive: false },
  );
  box.addEventListener("dragstart", (event) => event.preventDefault());
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a");
    if (link === null || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    if (box.contains(link)) {
      event.preventDefault(); // its tap is counted above
    } else if (link.origin === location.origin && link.pathname === location.pathname) {
      event.preventDefault();
      show(link.href, true);
    }
  });
  window.addEventListener("popstate", () => show(location.href, false));
})();
