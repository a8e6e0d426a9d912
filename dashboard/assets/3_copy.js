/* Copies a text that stands on the page, and says so. */
(function () {
  "use strict";
  document.addEventListener("click", (e) => {
    const button = e.target.closest("button[data-copy]");
    const text = button && document.getElementById(button.dataset.copy);
    if (!text) return;
    const said = button.parentElement.querySelector("[role=status]");
    const byHand = () => { text.focus(); text.select(); return document.execCommand("copy"); };
    const done = (well) => { said.textContent = well ? "Copied." : "Select the text and copy it."; };
    if (!navigator.clipboard) { done(byHand()); button.focus(); return; }
    navigator.clipboard.writeText(text.value).then(() => done(true), () => { done(byHand()); button.focus(); });
  });
})();
