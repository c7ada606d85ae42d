/* Tells when the page's own server has fallen silent, so that old values are never taken for the present.
   Every answer renews #as-of's data-count; when it stands still for too long, the page is marked. */
"use strict";
(function () {
  const SILENT_AFTER_MS = 15000; // three refreshes
  const WAKING_MS = 4000; // a page that was out of sight asked nothing: its next answer is on its way
  let count = null;
  let answeredAt = Date.now();
  let answeredText = "";

  function look() {
    const mark = document.getElementById("as-of");
    if (mark === null) return;
    if (mark.dataset.count !== count) {
      count = mark.dataset.count;
      answeredAt = Date.now();
      answeredText = mark.textContent;
    }
    if (document.hidden) return;
    const lost = Date.now() - answeredAt > SILENT_AFTER_MS;
    const bar = document.getElementById("connection");
    if (lost && bar.hidden) {
      bar.textContent =
        "✕ No connection to the page’s computer. All you see is old. " + answeredText +
        " Is the phone in its network, and has the computer power?";
    }
    bar.hidden = !lost;
    document.body.classList.toggle("lost", lost);
  }

  function wake() {
    if (!document.hidden) answeredAt = Math.max(answeredAt, Date.now() - SILENT_AFTER_MS + WAKING_MS);
    look();
  }

  setInterval(look, 1000);
  document.addEventListener("visibilitychange", wake);
})();
