"use strict";
// Draws the running check anew each second. Without it the page reloads itself.
const live = document.getElementById("live");
const phase = document.getElementById("phase");
const MAX_MISSED = 5;
let missed = 0;

async function look() {
  try {
    const answer = await fetch("live", { cache: "no-store" });
    const words = decodeURIComponent(answer.headers.get("windrow-phase") ?? "");
    if (!answer.ok || words === "") {
      location.reload();
      return;
    }
    live.innerHTML = await answer.text();
    if (phase.textContent !== words) {
      phase.textContent = words;
    }
    missed = 0;
  } catch {
    missed += 1;
    if (missed >= MAX_MISSED) {
      phase.textContent = "The check's program no longer answers. Its load ends with it.";
      return;
    }
  }
  setTimeout(look, 1000);
}

look();
