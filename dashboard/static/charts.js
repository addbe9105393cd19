/* Draws the charts of a page from their JSON. A figure says what a trace is (its `meta`); how that
   looks in colour comes from the stylesheet's custom properties, so light, dark and print differ
   there alone. Without this script the page is complete: every chart stands over its table. */
"use strict";

const SCHEMES = [matchMedia("(prefers-color-scheme: dark)"), matchMedia("print")];
const NARROW = matchMedia("(max-width: 40rem)");
const CONFIG = { displayModeBar: false, responsive: true, doubleClick: "reset", showTips: false };

const drawn = new Map(); // figure element -> the JSON it shows

function ink(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

function inked(figure) {
  const { data, layout } = structuredClone(figure);
  for (const trace of data) {
    const colour = ink(trace.meta);
    if (trace.line) trace.line.color = colour;
    if (trace.marker) {
      trace.marker.color = colour;
      trace.marker.line = { ...trace.marker.line, color: colour };
    }
  }
  for (const shape of layout.shapes ?? []) shape.fillcolor = ink(shape.name);
  for (const name of Object.keys(layout).filter((key) => /^[xy]axis/.test(key))) {
    Object.assign(layout[name], { color: ink("ink"), gridcolor: ink("rule"), linecolor: ink("ink") });
  }
  if (NARROW.matches) Object.assign(layout.xaxis, { nticks: 4 });
  layout.font = { family: getComputedStyle(document.body).fontFamily, size: 13, color: ink("ink") };
  layout.hoverlabel = { bgcolor: ink("paper"), bordercolor: ink("ink"), font: { color: ink("ink") } };
  layout.paper_bgcolor = layout.plot_bgcolor = "rgba(0,0,0,0)";
  return { data, layout };
}

function draw(element) {
  const { data, layout } = inked(drawn.get(element));
  element.hidden = false;
  return Plotly.react(element.querySelector("[role=img]"), data, layout, CONFIG);
}

async function load(element) {
  const response = await fetch(element.dataset.figure);
  if (!response.ok) return; // the table below the chart says the same
  drawn.set(element, await response.json());
  await draw(element);
}

function redraw() {
  for (const element of drawn.keys()) draw(element);
}

function loadAll() {
  for (const element of document.querySelectorAll("figure[data-figure]")) load(element);
}

loadAll();
document.addEventListener("fresh", loadAll);
for (const query of [...SCHEMES, NARROW]) query.addEventListener("change", redraw);
