/* Where nothing is counted there are no numbers, the limits are those in force, and there is nothing to save. */
(function () {
  "use strict";
  const set = (e, text) => { if (e && e.textContent !== text) e.textContent = text; };
  const slot = (name) => document.querySelector('.tune-page [data-slot="' + name + '"]');
  let told = null;

  function blank(limits) {
    for (const e of document.querySelectorAll(".tune-found [data-slot]")) set(e, "");
    for (const name of ["hint", "resolves"]) set(slot(name), "");
    for (const field of document.querySelectorAll(".tune-page [data-limit]")) {
      const [now, plain] = limits[field.dataset.limit] || ["–", ""];
      set(slot("now-" + field.dataset.limit), now);
      field.value = plain;
      field.disabled = true;
      field.removeAttribute("data-changed");
    }
    const back = document.querySelector("[data-tune-back]");
    if (back) back.disabled = true;
  }

  /* Whether the server said since the last look that nothing is counted. */
  function look() {
    const answered = document.querySelector("#limits-chart > *"), none = document.querySelector("#limits-chart [data-none]");
    for (const button of document.querySelectorAll("[data-tune-ask]")) button.disabled = !answered || Boolean(none);
    set(slot("unsaved"), none ? "Nothing is counted under these filters, so there is nothing to save." : "");
    const fresh = none !== null && none !== told;
    told = none;
    if (fresh) blank(JSON.parse(none.dataset.none));
    return fresh;
  }
  window.watchNothing = { look };
})();
