// The hydrograph without a whole new page: every step is a link that works without this script too.
"use strict";
document.documentElement.classList.add("scripted");

let asked = 0;

async function show(href, focus) {
  const figure = document.getElementById("hydrograph");
  const turn = (asked += 1);
  const answer = await fetch(href, { headers: { accept: "text/html" } });
  if (!answer.ok || turn !== asked) {
    if (!answer.ok) window.location.assign(href);
    return;
  }
  const text = await answer.text();
  if (turn !== asked) return;
  const fresh = new DOMParser().parseFromString(text, "text/html").getElementById("hydrograph");
  if (!fresh) return;
  figure.replaceWith(document.adoptNode(fresh));
  ready(fresh);
  const next = focus && fresh.querySelector(focus);
  if (next) next.focus({ preventScroll: true });
}

function step(figure, word, focus) {
  const link = figure.querySelector(`a[data-move="${word}"]`);
  if (link) show(link.getAttribute("href"), focus);
}

function dragging(figure, svg) {
  const number = (name) => Number(svg.dataset[name]);
  let from = null;
  let box = null;
  const place = (event) => {
    const at = svg.getBoundingClientRect();
    const x = ((event.clientX - at.left) / at.width) * number("wide");
    return Math.min(Math.max(x, number("left")), number("right"));
  };
  const moment = (x) => {
    const part = (x - number("left")) / (number("right") - number("left"));
    return new Date(number("from") + part * (number("to") - number("from"))).toISOString();
  };
  svg.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.pointerType === "touch" || event.target.closest("a")) return;
    from = place(event);
    box = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    box.setAttribute("class", "picked");
    box.setAttribute("y", number("top"));
    box.setAttribute("height", number("foot") - number("top"));
    svg.append(box);
    svg.setPointerCapture(event.pointerId);
  });
  svg.addEventListener("pointermove", (event) => {
    if (from === null) return;
    const to = place(event);
    box.setAttribute("x", Math.min(from, to));
    box.setAttribute("width", Math.abs(to - from));
  });
  const end = (event) => {
    if (from === null) return;
    const to = place(event);
    box.remove();
    const [first, last] = [Math.min(from, to), Math.max(from, to)];
    from = null;
    if (event.type !== "pointerup" || last - first < 8) return;
    const target = new URL(figure.dataset.path, window.location.href);
    const asked = { series: figure.dataset.series, axis: figure.dataset.axis, from: moment(first), to: moment(last) };
    for (const [name, value] of Object.entries(asked)) target.searchParams.set(name, value);
    show(target.pathname + target.search, ".scroller");
  };
  svg.addEventListener("pointerup", end);
  svg.addEventListener("pointercancel", end);
}

const KEYS = { "+": "closer", "=": "closer", "-": "wider", ArrowLeft: "earlier", ArrowRight: "later", Home: "whole" };

function ready(figure) {
  const svg = figure.querySelector("svg");
  if (svg) dragging(figure, svg);
  figure.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-window]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button !== 0) return;
    event.preventDefault();
    const kept = ["move", "upright", "seriesName"].find((name) => link.dataset[name]);
    const attribute = { move: "data-move", upright: "data-upright", seriesName: "data-series-name" }[kept];
    const focus = kept ? `a[${attribute}="${CSS.escape(link.dataset[kept])}"]` : ".scroller";
    show(link.getAttribute("href"), focus);
  });
  const pane = figure.querySelector(".scroller");
  if (pane) {
    pane.addEventListener("keydown", (event) => {
      const word = KEYS[event.key];
      if (!word || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      step(figure, word, ".scroller");
    });
  }
}

const figure = document.getElementById("hydrograph");
if (figure) ready(figure);
