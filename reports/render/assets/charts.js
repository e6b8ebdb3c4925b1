"use strict";
/* Draws the charts, and opens tables for printing. No network, no storage. */
(function () {
  const PRINT_WIDTH = 696;
  const CONFIG = { displayModeBar: false, scrollZoom: false, doubleClick: false, showTips: false,
    showAxisDragHandles: false, responsive: false };

  /* --- charts: the library comes after the page can be used, then one chart at a time ----- */

  const holder = document.getElementById("figures");
  const figures = holder ? JSON.parse(holder.textContent) : {};
  const charts = Array.from(document.querySelectorAll("[data-figure]")).filter(function (element) {
    return figures[element.dataset.figure];
  });
  const library = document.currentScript.dataset.library;
  const undrawn = new Set(charts);

  function shapeFor(element, width) {
    const figure = figures[element.dataset.figure];
    const chosen = figure.filter(function (f) { return f.least <= width; }).pop();
    return { data: chosen.data || figure[0].data,
      layout: Object.assign({}, chosen.layout, { width: width, autosize: false }) };
  }

  function folded(element) {
    return element.closest("details:not([open])");
  }

  function draw(element, width) {
    undrawn.delete(element);
    const shape = shapeFor(element, width || element.parentElement.clientWidth);
    Plotly.react(element, structuredClone(shape.data), structuredClone(shape.layout), CONFIG);
    element.style.minHeight = "";
  }

  /* Each chart's room is kept from the start, so that nothing moves under the reader; that of a
     chart in a fold when it is opened. */
  function keepRoom() {
    for (const element of charts) {
      element.hidden = false;
      const fold = folded(element);
      if (fold) {
        fold.addEventListener("toggle", function () { if (undrawn.has(element)) drawNext(); });
        continue;
      }
      const height = shapeFor(element, element.parentElement.clientWidth).layout.height;
      element.style.minHeight = height + "px";
    }
  }

  /* Charts in view first; a task each, so that what the reader does comes between. */
  function drawNext() {
    if (typeof Plotly === "undefined") return;
    const [element] = Array.from(undrawn).filter(function (e) { return !folded(e); }).sort(function (one, other) { return far(one) - far(other); });
    if (!element) return;
    draw(element);
    window.setTimeout(drawNext);
  }

  function far(element) {
    const place = element.getBoundingClientRect();
    return Math.max(0, place.top - window.innerHeight, -place.bottom);
  }

  function withoutLibrary() {
    for (const element of charts) {
      element.hidden = true;
      document.getElementById(element.getAttribute("aria-details")).open = true;
    }
    charts.length = 0;
    undrawn.clear();
  }

  function drawAll(width) {
    if (typeof Plotly === "undefined") return;
    for (const element of charts) {
      if (folded(element)) undrawn.add(element);
      else draw(element, width);
    }
  }

  let lastWidth = document.documentElement.clientWidth;
  let waiting = 0;
  window.addEventListener("resize", function () {
    if (document.documentElement.clientWidth === lastWidth) return;
    lastWidth = document.documentElement.clientWidth;
    window.clearTimeout(waiting);
    waiting = window.setTimeout(function () { drawAll(); }, 120);
  });

  /* --- printing: charts at paper width, every table open, every case shown as filtered ------ */

  let closed = [];
  window.addEventListener("beforeprint", function () {
    window.clearTimeout(waiting);
    closed = Array.from(document.querySelectorAll("details:not([open])"));
    for (const element of closed) element.open = true;
    drawAll(PRINT_WIDTH);
  });
  window.addEventListener("afterprint", function () {
    for (const element of closed) element.open = false;
    closed = [];
    drawAll();
  });

  function fetchLibrary() {
    const script = document.createElement("script");
    script.addEventListener("load", function () { window.setTimeout(drawNext); });
    script.addEventListener("error", withoutLibrary);
    script.src = library;
    document.body.append(script);
  }

  if (charts.length) {
    keepRoom();
    // the first screen needs no chart: it is painted before the library is even read
    window.requestAnimationFrame(function () { window.setTimeout(fetchLibrary); });
  }
})();
