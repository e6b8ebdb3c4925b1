"use strict";
/* Draws the charts, and opens tables for printing. No network, no storage. */
(function () {
  const PRINT_WIDTH = 696;
  const CONFIG = { displayModeBar: false, scrollZoom: false, doubleClick: false, showTips: false,
    showAxisDragHandles: false, responsive: false };

  /* --- charts ----------------------------------------------------------------------------- */

  const holder = document.getElementById("figures");
  const figures = holder ? JSON.parse(holder.textContent) : {};
  const charts = Array.from(document.querySelectorAll("[data-figure]"));

  function draw(element, width) {
    const figure = figures[element.dataset.figure];
    if (!figure) return;
    if (typeof Plotly === "undefined") {
      document.getElementById(element.getAttribute("aria-details")).open = true;
      return;
    }
    const chosen = figure.filter(function (f) { return f.least <= width; }).pop();
    const data = chosen.data || figure[0].data;
    const layout = Object.assign({}, chosen.layout, { width: width, autosize: false });
    Plotly.react(element, structuredClone(data), structuredClone(layout), CONFIG);
    element.hidden = false;
  }

  function drawAll(width) {
    for (const element of charts) draw(element, width || element.parentElement.clientWidth);
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

  drawAll();
})();
