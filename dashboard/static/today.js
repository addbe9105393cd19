/* Keeps an open Today page fresh: every ten seconds the parts that changed are put in their places.
   Focus and scroll stay where they are. Without this script the page's own link does it. */
"use strict";

const EVERY_MS = 10_000;

function stops(part) {
  return [...part.querySelectorAll("a, button, input, select, [tabindex]")];
}

function replaceParts(fresh) {
  let changed = false;
  for (const part of document.querySelectorAll("[data-fresh]")) {
    const now = fresh.getElementById(part.id);
    if (!now || now.innerHTML === part.innerHTML) continue;
    if (part.contains(document.activeElement) && document.activeElement.matches("input, select")) continue; // being filled in
    const focused = stops(part).indexOf(document.activeElement);
    const scrolled = stops(part).map((stop) => stop.scrollLeft);
    part.replaceChildren(...now.childNodes);
    stops(part).forEach((stop, place) => (stop.scrollLeft = scrolled[place] ?? 0));
    stops(part)[focused]?.focus({ preventScroll: true });
    changed ||= part.id === "runs";
  }
  if (changed) document.dispatchEvent(new Event("fresh")); // charts.js draws the new runs
}

async function refresh() {
  if (document.hidden || !getSelection().isCollapsed) return;
  const late = document.getElementById("late");
  try {
    const response = await fetch(location.href, { signal: AbortSignal.timeout(EVERY_MS) });
    if (response.redirected) return location.reload(); // the login has ended
    if (!response.ok) throw new Error(response.statusText);
    replaceParts(new DOMParser().parseFromString(await response.text(), "text/html"));
    late.textContent = "";
  } catch {
    late.textContent ||= `Not refreshed since ${new Date().toLocaleTimeString()} by this computer’s clock: the dashboard does not answer.`;
  }
}

setInterval(refresh, EVERY_MS);
document.addEventListener("visibilitychange", refresh);
document.addEventListener("stale", refresh); // live.js saw a run begin or end
