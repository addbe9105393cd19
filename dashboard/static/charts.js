/* Draws the charts of a page from their JSON. A figure says what a trace is (its `meta`); how that
   looks in colour comes from the stylesheet's custom properties, so light, dark and print differ
   there alone. Without this script the page is complete: every chart stands over its table. */
"use strict";

const SCHEMES = [matchMedia("(prefers-color-scheme: dark)"), matchMedia("print")];
const NARROW = matchMedia("(max-width: 40rem)");
const CONFIG = { displayModeBar: false, responsive: true, doubleClick: "reset", showTips: false };

const FINE = matchMedia("(pointer: fine)"); // a finger's drag scrolls the page instead

const drawn = new Map(); // figure element -> the JSON it shows
let following = false; // while the other charts are brought to the time of one

function ink(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

function inked(figure) {
  const { data, layout } = structuredClone(figure);
  for (const trace of data) {
    const colour = ink(trace.meta);
    if (trace.line) trace.line.color = colour;
    if (trace.textfont || trace.mode?.includes("text")) trace.textfont = { color: ink("ink") };
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
  if (ofTime(layout) && FINE.matches) layout.dragmode = "zoom";
  return { data, layout };
}

function ofTime(layout) {
  return layout.xaxis.type === "date";
}

function plotOf(element) {
  return element.querySelector("[role=img]");
}

async function draw(element) {
  const { data, layout } = inked(drawn.get(element));
  element.hidden = false;
  const plot = await Plotly.react(plotOf(element), data, layout, CONFIG);
  if (!ofTime(layout) || element.dataset.followed) return;
  element.dataset.followed = "yes";
  plot.on("plotly_relayout", (change) => follow(plot, change));
}

/* Brings every other chart of time to the time that somebody chose in one; a double click goes back. */
async function follow(plot, change) {
  if (following || !Object.keys(change).some((key) => key.startsWith("xaxis"))) return;
  following = true;
  const others = [...drawn.keys()].map(plotOf).filter((other) => other !== plot && ofTime(other.layout));
  const range = [...plot.layout.xaxis.range];
  await Promise.all(others.map((other) => Plotly.relayout(other, { "xaxis.range": [...range] })));
  following = false;
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
