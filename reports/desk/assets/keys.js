// Keys pressed before the page is ready, for desk.js to take up.
"use strict";
const pressedEarly = [];
function keepPressed(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, textarea, select")) return;
  pressedEarly.push(event.key);
}
document.addEventListener("keydown", keepPressed);
