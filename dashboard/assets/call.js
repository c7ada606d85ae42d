/* What an open page does while an alarm calls for an answer: the urgent ones cover the screen until they are put
   aside (then they stay as a bar), and after one tap on "Let this page sound" they and those of high priority
   sound, softly first, until they are acknowledged, over or silenced. It knows of them from #calling, which every
   refresh renews; what is put aside or silenced is so for one raising of one alarm. */
"use strict";
(function () {
  const URGENT = "urgent";
  const LOOK_EVERY_MS = 1000;
  const RING_EVERY_MS = 4000;
  const SOFTEST = 0.06;
  const LOUDEST = 0.8;
  const LOUDER = 1.3; // each ring than the one before it: the loudest after ten rings
  const NOTES = [[0, 660], [0.4, 880], [0.8, 660]]; // seconds from the ring's start, hertz
  const NOTE_S = 0.35;
  const aside = new Set();
  const silenced = new Set();
  let sounds = null; // the AudioContext once a person allowed it
  let loudness = SOFTEST;
  let rangAt = 0;

  function calling() {
    const found = document.querySelectorAll("#calling [data-call]");
    return [...found].map((each) => ({
      key: each.dataset.call,
      name: each.textContent,
      urgent: each.dataset.priority === URGENT,
    }));
  }

  function tell(bar, text) {
    bar.hidden = text === "";
    const place = bar.querySelector("span");
    if (text !== "" && place.textContent !== text) place.textContent = text;
  }

  function names(calls) {
    return calls.map((each) => each.name).join(", ");
  }

  function ring(volume) {
    for (const [after, hertz] of NOTES) {
      const at = sounds.currentTime + after;
      const note = sounds.createOscillator();
      const gain = sounds.createGain();
      note.frequency.value = hertz;
      gain.gain.setValueAtTime(0.0001, at);
      gain.gain.exponentialRampToValueAtTime(volume, at + 0.06);
      gain.gain.exponentialRampToValueAtTime(0.0001, at + NOTE_S);
      note.connect(gain).connect(sounds.destination);
      note.start(at);
      note.stop(at + NOTE_S);
    }
  }

  function look() {
    const cover = document.getElementById("call");
    if (cover === null) return;
    const calls = calling();
    const urgent = calls.filter((each) => each.urgent);
    if (urgent.length === 0 && cover.open) cover.close();
    if (urgent.some((each) => !aside.has(each.key)) && !cover.open) cover.showModal();
    const loud = sounds === null ? [] : calls.filter((each) => !silenced.has(each.key));
    if (loud.length === 0) {
      loudness = SOFTEST;
    } else if (Date.now() - rangAt >= RING_EVERY_MS) {
      rangAt = Date.now();
      ring(loudness);
      loudness = Math.min(LOUDEST, loudness * LOUDER);
    }
    const quiet = document.getElementById("call-quiet");
    if (quiet !== null) quiet.hidden = loud.length === 0;
    const waiting = cover.open ? [] : urgent;
    tell(document.getElementById("call-bar"), waiting.length ? "▲ Urgent: " + names(waiting) + "." : "");
    tell(document.getElementById("sound-bar"), loud.length && !cover.open ? "♪ " + names(loud) + "." : "");
  }

  function putAside() {
    calling().forEach((each) => aside.add(each.key));
    look();
  }

  function silence() {
    calling().forEach((each) => silenced.add(each.key));
    look();
  }

  function allow(button) {
    if (sounds === null) {
      sounds = new AudioContext();
      sounds.resume(); // some phones start it only in the tap itself
      ring(SOFTEST);
      rangAt = Date.now();
    } else {
      sounds.close();
      sounds = null;
    }
    button.setAttribute("aria-pressed", String(sounds !== null));
    button.textContent = sounds === null ? "Let this page sound" : "Sound is on";
    look();
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button === null) return;
    if (button.id === "sound") allow(button);
    else if (button.id === "call-aside") document.getElementById("call").close();
    else if (button.id === "call-quiet" || button.closest("#sound-bar")) silence();
    else if (button.closest("#call-bar")) document.getElementById("call").showModal();
  });
  document.addEventListener("close", (event) => {
    if (event.target.id === "call") putAside(); // Escape closes it, too
  }, true);
  setInterval(look, LOOK_EVERY_MS);
  document.addEventListener("visibilitychange", look);
})();
