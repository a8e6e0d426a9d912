/* Deciding events: what is asked goes to the server as it stands; whether it holds is decided there. */
(function () {
  "use strict";
  const seen = (element) => element && element.getClientRects().length > 0;
  const selected = () => window.watch.chosen();
  /* The form under the event that is selected; none while another event's is still there. */
  const form = () => Array.from(document.querySelectorAll("#decision form.deciding")).find((one) => seen(one) && isSelected(one));
  const isSelected = (form) => !form.dataset.event || form.dataset.event === selected();

  /* --- asking: one at a time, in the order of asking ---------------------------------------------------------- */
  const asks = [];  // the first is on its way
  let last = "";  // the token of the last answer
  const tokens = new Map();  // of what the server did not answer, so that it is done once if it was done after all
  let lost = [];  // what was not saved and not asked again since

  const textOf = (what) => JSON.stringify(Object.assign({}, what, { token: undefined }));
  function ask(what) {
    asks.push(Object.assign({ token: tokens.get(textOf(what)) || crypto.randomUUID() }, what));
    window.watch.pin(what.event);
    if (asks.length === 1) send();
  }
  function send() {
    window.dash_clientside.set_props("ask", { data: Object.assign({ sent: performance.now() }, asks[0]) });
  }
  /* An answer has come to the page; without one, the page is new. */
  function answered(answer) {
    last = answer ? answer.ask.token : "";
    if (!answer) asks.length = 0;
    if (asks[0] && asks[0].token === last) tokens.delete(textOf(asks.shift()));
    if (answer && answer.problem && answer.event && answer.event !== selected()) notSaved([answer.ask], answer.problem);
    else if (answer && lost.length) notSaved([], "", answer);
    if (answer && !answer.problem) window.watchDrafts.saved(answer.ask);
    if (answer && !answer.event && !answer.problem) window.dash_clientside.set_props("decided-together", { data: last });
    if (asks.length) send();
    turn();
  }
  /* The server did not answer: nothing more is asked, and what was not saved is named. */
  function failed(output) {
    const mine = output === "decided.data" ? asks.splice(0) : [];
    for (const what of mine) tokens.set(textOf(what), what.token);
    if (mine.length) unpress();
    const all = [...mine, ...forget()];
    if (all.length) notSaved(all);
  }
  window.addEventListener("unanswered", (e) => failed(e.detail));
  window.addEventListener("read-not-saved", () => { lost = []; });

  function unpress() {
    for (const button of document.querySelectorAll("[data-decide][aria-pressed=true]")) button.setAttribute("aria-pressed", "false");
  }
  /* Names what was not saved, each a way to it, until it is done: `done` is an answer that one of them has now. */
  function notSaved(more, why, done) {
    lost = [...lost, ...more].filter((what) => !done || what.href || (what.event || "") !== done.event);
    for (const what of lost) what.called = nameOf(what);
    const links = [...new Map(lost.filter(placeOf).map((what) => [placeOf(what), what])).values()].map(wayTo);
    const told = document.createElement("span"), kept = lost.every((what) => placeOf(what) || !what.before);
    told.textContent = why || (kept ? "What you wrote is kept. " : "") + "Do it again" + (links.length ? " for" : ".");
    window.watchServer.notSaved(lost.length ? told.innerHTML + (links.length ? " " + links.join("; ") + "." : "") : "");
  }
  const placeOf = (what) => what.href || what.event;
  function nameOf(what) {
    const row = what.event && document.querySelector(`a.row[data-event="${CSS.escape(what.event)}"]`);
    return row ? row.querySelector(".title > span").textContent + ", " + row.children[2].textContent : what.called || "this event";
  }
  function wayTo(what) {
    const query = new URLSearchParams(location.search);
    query.set("event", what.event);
    const link = document.createElement("a");
    link.href = what.href || location.pathname + "?" + query.toString();
    link.textContent = what.called;
    return link.outerHTML;
  }

  /* --- what was not saved is told also by the page that is loaded after this one, as after a login, to the same person - */
  const LEFT = "not-saved";
  const who = () => { const link = document.querySelector(".head .who"); return link && link.dataset.who; };
  const stored = (work) => { try { return work(sessionStorage); } catch (e) { return null; } };
  window.addEventListener("pagehide", () => {
    if (window.watchServer.hasEnded()) failed("decided.data");  // what is on its way goes with the session
    const left = lost.map(({ event, called, href }) => ({ event, called, href, before: true }));
    if (left.length) stored((session) => session.setItem(LEFT, JSON.stringify({ who: who(), left })));
  });
  let brought = false;
  function bringBack() {
    if (brought || !document.querySelector("#head header")) return;
    brought = true;
    const found = stored((session) => JSON.parse(session.getItem(LEFT)));
    stored((session) => session.removeItem(LEFT));
    if (found && found.who === who()) notSaved(found.left);
  }
  document.addEventListener("submit", (e) => { if (e.target.matches("form[action='/logout']")) lost = []; });

  /* --- what other pages save is told alike, until it is asked for again --------------------------------------------- */
  const ELSEWHERE = { note: "the note on a debrief", done: "a debrief that was done", open: "a debrief opened again", save: "a version of a rule" };
  let pressed = null;
  document.addEventListener("click", (e) => {
    const button = e.target.closest("button[data-debrief], button[data-tune-ask]");
    if (!button) return;
    const called = ELSEWHERE[button.dataset.debrief || button.dataset.tuneAsk], href = location.pathname + location.search;
    pressed = called && { called, href };
    if (!called || !lost.some((what) => what.href === href)) return;
    lost = lost.filter((what) => what.href !== href);
    notSaved([]);
  });
  window.addEventListener("unanswered", (e) => {
    if (pressed && /debrief-notes|limits-saved/.test(e.detail)) notSaved([pressed]);
  });

  /* --- keys wait for the pane of the event that they are about, and each for the one before it ------------------ */
  const waiting = [];
  let turning = false;
  function inTurn(act, about) {
    waiting.push({ act, pane: about !== undefined, about });
    turn();
    if (waiting.length && window.watchServer.isAway()) failed("");
  }
  /* Whether the pane shows the event that is selected, and what was done about it last. */
  function ready() {
    const event = selected(), about = document.querySelector("#decision [data-about]");
    if (!event || !about) return true;
    const asked = asks.some((what) => !what.event || what.event === event);
    return !asked && about.dataset.about === event && about.dataset.answer === last;
  }
  function turn() {
    bringBack();
    if (turning) return;
    turning = true;
    try {
      while (waiting.length && (!waiting[0].pane || ready())) waiting.shift().act();
    } finally { turning = false; }
  }
  /* Keys that wait are for what was selected when they were pressed: going elsewhere otherwise ends them. */
  function forget() {
    const verdicts = waiting.splice(0).filter((one) => one.about);
    return verdicts.length ? [{ event: selected() }] : [];
  }
  function leave() {
    if (turning || !waiting.length) return;
    const lost = forget();
    if (lost.length) notSaved(lost, "You went on before the event was shown:");
  }
  window.addEventListener("popstate", leave);

  /* --- deciding ------------------------------------------------------------------------------------------------- */
  function said(form) {
    const value = (name) => form.elements[name].value.trim();
    return { reason: value("words") || value("reason"), note: value("note") };
  }

  /* A verdict that needs a reason waits for one: the button stays pressed, and the focus goes to the reason. */
  function decide(form, verdict) {
    if (!isSelected(form) || (form.dataset.event && !ready())) return;
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
      waiting.length = 0;  // what was typed after it was meant for the reason
      return;
    }
    if (form.dataset.count && asks.some((what) => what.act === "bulk")) return;
    const about = form.dataset.count
      ? { act: "bulk", count: form.dataset.count, filters: location.search }
      : { act: "decide", event: form.dataset.event, seen: form.dataset.seen };
    ask(Object.assign({ verdict }, about, answer));
  }

  function undo(button) {
    const { event, undo: entry } = button.dataset;
    if ((event && event !== selected()) || asks.some((what) => what.entry === entry)) return;
    ask({ act: "undo", event, entry });
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

  /* --- passing on: the button says what is done; name, day and note come from the fields beside it ---------------- */
  const passing = () => document.querySelector("#decision form.passing");
  function pass(act, to) {
    const form = passing();
    if (!form || !isSelected(form) || !ready()) return;
    const value = (name) => form.elements["pass-" + name].value.trim();
    ask({
      act, event: form.dataset.event, seen: form.dataset.seen, to: to || value("to"), until: value("until"),
      note: value("note"), shows: [...form.querySelectorAll("[name=pass-shows]:checked")].map((one) => one.value).join(" "),
    });
  }
  /* Enter in the note does what the name or the day beside it is for; with both, the buttons say which. */
  function entered(field) {
    const filled = field.name === "pass-note" ? ["to", "until"].filter((name) => field.form.elements["pass-" + name].value.trim()) : [];
    if (filled.length < 2) return pass(filled.length ? field.form.elements["pass-" + filled[0]].dataset.enter : field.dataset.enter, "");
    const hint = field.form.querySelector(".which");
    hint.textContent = "A name and a day are given. Choose Give or Set aside.";
    hint.hidden = false;
  }
  function showPassing() {
    const form = passing();
    if (!form || !seen(form.parentElement)) return;
    form.parentElement.open = true;
    form.elements["pass-to"].focus({ preventScroll: true });
    waiting.length = 0;
    const bar = document.getElementById("decision");
    bar.scrollTop = bar.scrollHeight;
  }

  const undoing = () => Array.from(document.querySelectorAll("#decision .decided [data-undo]")).find(seen);
  const KEYS = {
    u: () => { if (undoing()) undo(undoing()); },
    p: showPassing,
    v: () => { if (form()) decide(form(), "valid"); },
    n: () => { if (form()) decide(form(), "nuisance"); },
    f: () => { if (form()) decide(form(), "false"); },
  };
  window.watchDecide = {
    fit, inTurn, turn, leave, answered, ready,
    asked: (event) => asks.some((what) => what.event === event && what.act === "decide"),
    press: function (key) {
      const desk = document.getElementById("decision");
      if (key === "s" && desk) { inTurn(window.watch.skip); return true; }
      if (!KEYS[key] || !desk || !desk.querySelector("[data-about]")) return false;
      inTurn(KEYS[key], "vnf".includes(key));
      return true;
    },
  };

  document.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    if (!button) return;
    if (button.dataset.skip !== undefined) inTurn(window.watch.skip);
    if (button.dataset.undo) undo(button);
    if (button.dataset.pass) pass(button.dataset.pass, button.dataset.to);
    if (button.dataset.decide && button.form) decide(button.form, button.dataset.decide);
  });

  document.addEventListener("submit", (e) => { if (e.target.matches("form.deciding, form.passing")) e.preventDefault(); });

  document.addEventListener("keydown", (e) => {
    const field = e.target.closest("form.deciding input, form.deciding select, form.passing input");
    if (!field || e.key !== "Enter" || e.isComposing) return;
    e.preventDefault();
    if (field.dataset.enter) return entered(field);
    const pressed = field.form.querySelector("[data-decide][aria-pressed=true]");
    if (pressed) decide(field.form, pressed.dataset.decide);
  });
})();
