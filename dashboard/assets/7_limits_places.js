/* What stands over a drawing and must not cover its like. */
(function () {
  "use strict";
  /* Heads that would cover each other stand on rows of their own; how many rows there are. */
  function inRows(heads) {
    const taken = [];
    for (const head of heads) {
      const box = head.getBoundingClientRect();
      let row = 0;
      while (taken.some((t) => t.row === row && t.left < box.right + 8 && box.left < t.right + 8)) row += 1;
      taken.push({ row, left: box.left, right: box.right });
      head.style.setProperty("--row", row);
    }
    return Math.max(1, ...taken.map((t) => t.row + 1));
  }
  /* Rates that would cover each other give way, upwards or downwards. */
  function keepApart(labels, way) {
    const taken = [];
    for (const label of labels) label.style.removeProperty("--apart");
    for (const label of labels.filter((e) => e.offsetWidth)) {
      const box = label.getBoundingClientRect();
      let by = 0;
      const covers = (t) => t.left < box.right && box.left < t.right && t.top < box.bottom + by && box.top + by < t.bottom;
      for (let met = taken.find(covers); met; met = taken.find(covers)) by = way < 0 ? met.top - box.bottom : met.bottom - box.top;
      taken.push({ left: box.left, right: box.right, top: box.top + by, bottom: box.bottom + by });
      if (by) label.style.setProperty("--apart", by + "px");
    }
  }
  window.watchPlaces = { inRows, keepApart };
})();
