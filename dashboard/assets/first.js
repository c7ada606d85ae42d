/* Puts what Dash has drawn in the place of the first answer's HTML, before the browser paints either twice.
   What a person has unfolded meanwhile stays unfolded. */
"use strict";
(function () {
  const first = document.getElementById("first");
  const drawn = document.getElementById("react-entry-point");

  function swap(watcher) {
    if (drawn.querySelector("main") === null) return;
    const folds = drawn.querySelectorAll("details");
    first.querySelectorAll("details").forEach((fold, place) => {
      if (fold.open && folds[place] !== undefined) folds[place].open = true;
    });
    watcher.disconnect();
    first.remove();
    drawn.classList.add("alive");
  }

  new MutationObserver((_changes, watcher) => swap(watcher)).observe(drawn, { childList: true, subtree: true });
})();
