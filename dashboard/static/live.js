/* Follows what the probe does while the page is open: a run's newest sentence and its seconds, from the
   dashboard's stream of events. When a run begins or ends, today.js reads the page again. Without this
   script the page shows the state at its time and has a link to refresh. */
"use strict";

let stream = null;

function show(state) {
  const part = document.getElementById("now-runs");
  if (part && part.dataset.key !== state.key) {
    document.dispatchEvent(new Event("stale"));
    return;
  }
  for (const run of state.runs) {
    const entry = [...document.querySelectorAll("[data-run]")].find((one) => one.dataset.run === run.name);
    if (!entry) continue;
    const said = entry.querySelector("[data-said]");
    if (said && said.textContent !== run.said) said.textContent = run.said;
    const bar = entry.querySelector("progress");
    if (bar) bar.value = Math.min(run.done_s, run.seconds);
  }
}

function follow() {
  if (document.hidden) {
    stream?.close();
    stream = null;
    return;
  }
  if (stream) return;
  stream = new EventSource("/now/events");
  stream.addEventListener("now", (event) => show(JSON.parse(event.data)));
  stream.addEventListener("error", () => {
    if (stream?.readyState !== EventSource.CLOSED) return; // the browser tries again by itself
    stream = null;
    setTimeout(follow, 30_000); // refused: too many pages, or the login has ended
  });
}

document.addEventListener("visibilitychange", follow);
addEventListener("pagehide", () => stream?.close());
follow();
