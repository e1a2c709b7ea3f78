"use strict";
document.querySelectorAll("[data-layer]").forEach(function (box) {
  function set() { document.body.classList.toggle("no-" + box.dataset.layer, !box.checked); }
  box.addEventListener("change", set);
  set();
});
document.querySelectorAll(".compare").forEach(function (figure) {
  var range = figure.querySelector("input"), pair = figure.querySelector(".pair");
  function set() {
    pair.style.setProperty("--at", range.value + "%");
    range.setAttribute("aria-valuetext", range.value + " % before, " + (100 - range.value) + " % now");
  }
  range.addEventListener("input", set);
  pair.addEventListener("pointerdown", function (event) {
    function move(at) {
      var box = pair.getBoundingClientRect();
      range.value = Math.round(100 * (at.clientX - box.left) / box.width);
      set();
    }
    pair.setPointerCapture(event.pointerId);
    pair.addEventListener("pointermove", move);
    pair.addEventListener("pointerup", function () { pair.removeEventListener("pointermove", move); }, { once: true });
    move(event);
  });
  set();
});
