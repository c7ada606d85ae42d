/* The page's light: goes to night at the site's sunset and back at its sunrise while the page lies open, and
   takes up what a person chooses at the foot. The server has lit the page rightly for the moment it answered.
   And how this phone writes numbers and times, told to the server by a cookie (dashboard/local.py). */
"use strict";
(function () {
  const LOOK_AGAIN_MS = 5000;
  const KEEP_S = 365 * 24 * 3600;
  const root = document.documentElement;
  let told = null;
  let toldAt = 0;

  function kept(name) {
    const found = document.cookie.split("; ").find((pair) => pair.startsWith(name + "="));
    return found === undefined ? "" : found.slice(name.length + 1);
  }

  function keep(name, value) {
    document.cookie = name + "=" + value + "; path=/; max-age=" + KEEP_S + "; SameSite=Strict";
  }

  /* "1 3600000 50400000": night now, and in how many milliseconds it turns, again and again. */
  function isNight() {
    const newest = document.querySelector("#as-of[data-turns]");
    const text = newest === null ? root.dataset.turns : newest.dataset.turns;
    if (text !== told) {
      told = text;
      toldAt = Date.now();
    }
    if (!text) return false;
    const [now, ...ahead] = text.split(" ").map(Number);
    const turned = ahead.filter((inMs) => Date.now() - toldAt >= inMs).length;
    return (now + turned) % 2 === 1;
  }

  function light() {
    const choice = root.dataset.choice;
    const look = choice !== "hour" ? choice : isNight() ? "night" : "phone";
    if (root.dataset.look !== look) root.dataset.look = look;
    const style = getComputedStyle(root);
    const ground = style.getPropertyValue("--ground").trim();
    const bars = document.querySelectorAll("meta[name=theme-color]");
    bars.forEach((bar) => {
      if (bar.media !== "" || bar.content !== ground) {
        bar.media = "";
        bar.content = ground;
      }
    });
  }

  function choose(choice) {
    root.dataset.choice = choice;
    document.querySelectorAll("#looks a").forEach((link) => {
      if (link.dataset.choice === choice) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    });
    light();
  }

  /* "cs24dmy": decimal mark, mark between thousands, hours of the clock, order of day, month and year. */
  function form() {
    const named = { ".": "p", ",": "c", "\u066b": "c", "\u066c": "p", "\u2019": "a", "'": "a" };
    const numbers = new Intl.NumberFormat(undefined, { numberingSystem: "latn" }).formatToParts(1234567.5);
    const mark = (type) => numbers.find((part) => part.type === type)?.value;
    const group = mark("group");
    const space = group !== undefined && group.trim() === "" ? "s" : undefined;
    const clock = new Intl.DateTimeFormat(undefined, { hour: "numeric" }).resolvedOptions().hourCycle;
    const order = new Intl.DateTimeFormat(undefined, { calendar: "gregory" })
      .formatToParts(new Date())
      .filter((part) => ["day", "month", "year"].includes(part.type))
      .map((part) => part.type[0])
      .join("");
    return (
      (named[mark("decimal")] ?? "p") +
      (space ?? named[group] ?? "n") +
      (clock === "h11" || clock === "h12" ? "12" : "24") +
      (["dmy", "mdy", "ymd"].includes(order) ? order : "dmy")
    );
  }

  /* A phone that came by another program's link has not sent its cookie: it counts all the same. */
  function start() {
    const own = form();
    if (kept("form") !== own) keep("form", own);
    if (root.dataset.form !== own) document.dispatchEvent(new Event("otherwise-written")); // see fresh.js
    const choice = kept("look");
    if (choice && choice !== root.dataset.choice) choose(choice);
    document.addEventListener("click", (event) => {
      const link = event.target.closest("#looks a");
      if (link === null) return;
      event.preventDefault();
      keep("look", link.dataset.choice);
      choose(link.dataset.choice);
    });
    /* A form that takes the phone's time gets it at the moment of sending (dashboard/clock_part.py). */
    document.addEventListener("submit", (event) => {
      const field = event.target.elements.namedItem("phone_ms");
      if (field !== null) field.value = String(Date.now());
    });
    light();
    setInterval(light, LOOK_AGAIN_MS);
    document.addEventListener("visibilitychange", light);
  }

  start();
})();
