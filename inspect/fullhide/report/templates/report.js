"use strict";
document.querySelectorAll("[data-layer]").forEach(function (box) {
  function set() { document.body.classList.toggle("no-" + box.dataset.layer, !box.checked); }
  box.addEventListener("change", set);
  set();
});
document.querySelectorAll(".compare").forEach(function (figure) {
  var range = figure.querySelector("input"), pair = figure.querySelector(".pair"), held = null;
  function set() {
    pair.style.setProperty("--at", range.value + "%");
    range.setAttribute("aria-valuetext", range.value + " % before, " + (100 - range.value) + " % now");
  }
  function move(event) {
    var box = pair.getBoundingClientRect();
    range.value = Math.round(100 * (event.clientX - box.left) / box.width);
    set();
  }
  range.addEventListener("input", set);
  pair.addEventListener("dragstart", function (event) { event.preventDefault(); });
  pair.addEventListener("pointerdown", function (event) {
    held = event.pointerId;
    pair.setPointerCapture(held);
    move(event);
  });
  pair.addEventListener("pointermove", function (event) { if (event.pointerId === held) { move(event); } });
  ["pointerup", "pointercancel"].forEach(function (name) {
    pair.addEventListener(name, function () { held = null; });
  });
  set();
});
// Paper has nothing to click: what is folded away is printed as well.
window.addEventListener("beforeprint", function () {
  document.querySelectorAll("details").forEach(function (item) { item.open = true; });
});
