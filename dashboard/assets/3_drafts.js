/* What is being written about an event, a list of events or a debrief is kept until it is saved, wherever the reader goes meanwhile. */
(function () {
  "use strict";
  const LEFT = "drafts";  // in the session's storage, only while another page is there, as to log in again
  const drafts = new Map();
  const kind = (form) => ["passing", "noting"].find((one) => form.classList.contains(one)) || "deciding";
  const FORMS = "form[data-event], form[data-count]";
  const key = (form) => kind(form) + " " + (form.dataset.event || listOf(location.search));
  /* A list that is decided alike, whichever of its events is read. */
  function listOf(search) {
    const query = new URLSearchParams(search);
    for (const name of ["event", "page"]) query.delete(name);
    return "list " + query.toString();
  }
  const fields = (form) => Array.from(form.elements).filter((e) => e.name && e.type !== "checkbox");
  const boxes = (form) => Array.from(form.querySelectorAll("input[type=checkbox]"));

  function note(form) {
    const details = form.closest("details");
    drafts.set(key(form), {
      open: Boolean(details && details.open),
      values: fields(form).map((e) => [e.name, e.value]),
      ticked: boxes(form).filter((e) => e.checked).map((e) => e.value),
    });
  }
  /* Not at `change`, which also comes when a field leaves the page because what it held was saved. */
  document.addEventListener("input", (e) => {
    const form = e.target.closest(FORMS);
    if (form) note(form);
  });
  document.addEventListener("toggle", (e) => {
    const form = e.target.querySelector(FORMS);
    if (form && form.isConnected && form.closest("details") === e.target) note(form);
  }, true);

  /* New forms are filled with what was written in the ones before them. */
  function fill(block) {
    bringBack();
    for (const form of block ? block.querySelectorAll(FORMS) : []) {
      if (form.dataset.saved !== undefined) { drafts.delete(key(form)); delete form.dataset.saved; }
      const draft = drafts.get(key(form)), details = form.closest("details");
      if (!draft) continue;
      if (draft.open && details) details.open = true;
      for (const [name, value] of draft.values) {
        if (form.elements[name] && form.elements[name].value !== value) form.elements[name].value = value;
      }
      if (draft.values.length) for (const box of boxes(form)) box.checked = draft.ticked.includes(box.value);
    }
  }
  /* What was saved is no draft any more; where an event is passed on stays open for the next. */
  function saved(ask) {
    if (ask.act === "bulk") drafts.delete("deciding " + listOf(ask.filters));
    else if (ask.act === "decide") drafts.delete("deciding " + ask.event);
    else if (ask.act !== "undo" && drafts.has("passing " + ask.event)) {
      drafts.set("passing " + ask.event, { open: drafts.get("passing " + ask.event).open, values: [], ticked: [] });
    }
  }

  /* --- over a page that is loaded anew, or a login: for the same person alone, and gone once it is back --------- */
  const who = () => { const link = document.querySelector(".head .who"); return link && link.textContent; };
  const stored = (work) => { try { return work(sessionStorage); } catch (e) { return null; } };
  const written = () => [...drafts].filter(([, draft]) => draft.values.some(([, value]) => value));
  function leave() {
    const left = written();
    if (left.length) stored((session) => session.setItem(LEFT, JSON.stringify({ who: who(), drafts: left })));
  }
  window.addEventListener("pagehide", leave);
  let brought = false;
  function bringBack() {
    if (brought || !document.querySelector("#head header")) return;
    brought = true;
    const left = stored((session) => JSON.parse(session.getItem(LEFT)));
    stored((session) => session.removeItem(LEFT));
    if (left && left.who === who()) for (const [about, draft] of left.drafts) if (!drafts.has(about)) drafts.set(about, draft);
  }
  document.addEventListener("submit", (e) => {
    if (!e.target.matches("form[action='/logout']")) return;
    drafts.clear();
    stored((session) => session.removeItem(LEFT));
  });
  window.watchDrafts = { fill, saved };
})();
