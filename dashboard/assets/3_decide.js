/* Deciding events: what is asked goes to the server as it stands; whether it holds is decided there. */
(function () {
  "use strict";
  const seen = (element) => element && element.getClientRects().length > 0;
  const form = () => Array.from(document.querySelectorAll("#decision form.deciding")).find(seen);
  let busy = null;

  function ask(what) {
    if (busy && busy.isConnected) return;
    busy = what.place;
    delete what.place;
    window.watch.pin(what.event);
    window.dash_clientside.set_props("ask", { data: Object.assign({ token: crypto.randomUUID() }, what) });
  }

  function said(form) {
    const value = (name) => form.elements[name].value.trim();
    return { reason: value("words") || value("reason"), note: value("note") };
  }

  /* A verdict that needs a reason waits for one: the button stays pressed, and the focus goes to the reason. */
  function decide(form, verdict) {
    const answer = said(form);
    for (const button of form.querySelectorAll("[data-decide]")) {
      button.setAttribute("aria-pressed", button.dataset.decide === verdict ? "true" : "false");
    }
    const button = form.querySelector("[data-decide=" + verdict + "]");
    if (verdict !== "valid" && !answer.reason) {
      const hint = form.querySelector(".hint");
      hint.textContent = button.firstChild.textContent.trim() + " needs a reason. Choose or write one, then press Enter.";
      hint.hidden = false;
      form.elements.reason.focus({ preventScroll: true });
      return;
    }
    const about = form.dataset.count
      ? { act: "bulk", count: form.dataset.count, filters: location.search }
      : { act: "decide", event: form.dataset.event, seen: form.dataset.seen };
    ask(Object.assign({ place: form, verdict }, about, answer));
  }

  function undo(button) {
    ask({ act: "undo", place: button, event: button.dataset.event, entry: button.dataset.undo });
  }

  /* The reading pane ends where the window does, so that the decision is in view wherever the page is scrolled to. */
  function fit() {
    const pane = document.getElementById("reading");
    if (!pane) return;
    const top = Math.max(0, Math.round(pane.getBoundingClientRect().top)) + "px";
    if (pane.style.getPropertyValue("--pane-top") !== top) pane.style.setProperty("--pane-top", top);
  }
  window.addEventListener("scroll", fit, { passive: true });
  window.addEventListener("resize", fit);

  /* Passing on: the button says what is done; name, day and note come from the fields beside it. */
  const passing = () => document.querySelector("#decision form.passing");
  function pass(act, to, place) {
    const form = passing();
    if (!form) return;
    const value = (name) => form.elements["pass-" + name].value.trim();
    ask({
      act, place, event: form.dataset.event, seen: form.dataset.seen, to: to || value("to"), until: value("until"),
      note: value("note"), shows: [...form.querySelectorAll("[name=pass-shows]:checked")].map((one) => one.value).join(" "),
    });
  }
  function showPassing() {
    const form = passing();
    if (!form || !seen(form.parentElement)) return false;
    form.parentElement.open = true;
    form.elements["pass-to"].focus({ preventScroll: true });
    const bar = document.getElementById("decision");
    bar.scrollTop = bar.scrollHeight;
    return true;
  }

  const undoing = () => Array.from(document.querySelectorAll("#decision .decided [data-undo]")).find(seen);
  window.watchDecide = {
    fit,
    press: function (key) {
      if (key === "s" && document.getElementById("decision")) { window.watch.skip(); return true; }
      if (key === "u" && undoing()) { undo(undoing()); return true; }
      if (key === "p") return showPassing();
      const verdict = { v: "valid", n: "nuisance", f: "false" }[key];
      if (!verdict || !form()) return false;
      decide(form(), verdict);
      return true;
    },
  };

  document.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    if (!button) return;
    if (button.dataset.skip !== undefined) window.watch.skip();
    if (button.dataset.undo) undo(button);
    if (button.dataset.pass) pass(button.dataset.pass, button.dataset.to, button);
    if (button.dataset.decide && button.form) decide(button.form, button.dataset.decide);
  });

  document.addEventListener("submit", (e) => { if (e.target.matches("form.deciding, form.passing")) e.preventDefault(); });

  document.addEventListener("keydown", (e) => {
    const field = e.target.closest("form.deciding input, form.deciding select, form.passing input");
    if (!field || e.key !== "Enter" || e.isComposing) return;
    e.preventDefault();
    if (field.dataset.enter) return pass(field.dataset.enter, "", field.form);
    const pressed = field.form.querySelector("[data-decide][aria-pressed=true]");
    if (pressed) decide(field.form, pressed.dataset.decide);
  });
})();
