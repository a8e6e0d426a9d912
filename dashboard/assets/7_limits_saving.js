/* The condition of a rule while it is written, and saving: what stands in the box and in the form is what is saved. */
(function () {
  "use strict";
  const TWICE_MS = 1500, watchLimits = window.watchLimits;

  /* --- the condition ---------------------------------------------------------------------------------------- */
  let typing = 0, tried = null;
  const box = () => document.querySelector("[data-condition]");
  const inAddress = () => new URLSearchParams(location.search).get("where");
  document.addEventListener("input", (e) => {
    if (e.target.closest("form.tune-save")) keep(e.target.form);
    if (!e.target.matches("[data-condition]")) return;
    clearTimeout(typing);
    const text = e.target.value;
    typing = setTimeout(() => window.dash_clientside.set_props("limits-condition", { data: { text } }), watchLimits.pause);
    tell();
  });

  /* The box holds the condition that the address tries, until another one is written into it. */
  function settle() {
    today();
    const field = box(), where = inAddress();
    if (!field) { tried = null; return; }
    const now = where === null ? field.dataset.now : where;
    if (tried !== null && tried !== now && field.value !== now) field.value = now;
    tried = now;
    tell();
  }
  /* Whom a save is for: of the filters the fleet alone counts, and it for the limits alone. */
  function scope() {
    const form = document.querySelector("form.tune-save"), field = box();
    if (!form) return;
    const fleet = form.dataset.byFleet === undefined ? "" : new URLSearchParams(location.search).get("fleet");
    const every = form.dataset.every === "Every fleet" ? "every fleet, runway and month" : "every fleet without its own limits, every runway and month";
    const written = field && field.value.trim() !== field.dataset.now && (fleet || form.dataset.every !== "Every fleet");
    watchLimits.say("scope", "Saves for " + (fleet ? fleet + " only, every runway and month." : every + ".")
      + (written ? " The condition is saved for every fleet." : ""));
  }
  const today = () => watchLimits.say("printed", new Date().toUTCString().slice(5, 16).replace(/^0/, "")); // as 5 Nov 2026
  window.addEventListener("beforeprint", today);

  function tell() {
    scope();
    const field = box(), own = document.querySelector("[data-tune-own]");
    const untried = field.value.trim() !== tried.trim();
    watchLimits.say("untried", untried ? "Not tried yet: the numbers are without it. Saving takes what stands here." : "");
    if (own) own.hidden = !untried && inAddress() === null;
  }

  /* What is wrong with it is seen while it is written, also where the box stands at the edge of the window. */
  let told = "";
  function follow() {
    const said = document.getElementById("limits-where-said"), text = said ? said.textContent : "";
    if (text && text !== told && box() === document.activeElement) said.scrollIntoView({ block: "nearest" });
    told = text;
  }

  function tryCondition(text) {
    const query = new URLSearchParams(location.search);
    if (text === null) query.delete("where"); else query.set("where", text);
    const search = query.toString();
    history.pushState({}, "", location.pathname + (search ? "?" + search : ""));
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    settle();
  }
  window.addEventListener("popstate", settle);

  document.addEventListener("click", (e) => {
    const button = e.target.closest && e.target.closest("button");
    if (!button) return;
    if (button.dataset.tuneTry !== undefined) tryCondition(box().value.trim());
    if (button.dataset.tuneOwn !== undefined) { box().value = box().dataset.now; tryCondition(null); }
    if (button.dataset.tuneAsk) askToSave(button.form, button.dataset.tuneAsk);
  });
  document.addEventListener("submit", (e) => { if (e.target.matches("form.tune-save")) e.preventDefault(); });

  /* --- saving ----------------------------------------------------------------------------------------------- */
  /* Pressed twice it is asked once, and what is asked again later without a change is still the same doing. */
  let last = { said: "", token: "", at: -Infinity };
  function askToSave(form, act) {
    const expect = {}, said = form.elements;
    for (const one of document.querySelectorAll("[data-expect]:checked")) expect[one.dataset.expect] = one.dataset.got;
    const what = {
      act, expect, name: said.name.value.trim(), reason: said.reason.value.trim(),
      base: said.base.value, seen: said.seen.value, force: said.force.value,
    };
    if (box()) what.where = box().value.trim();
    const text = JSON.stringify([location.href, watchLimits.draft(), what]);
    const now = performance.now();
    if (text !== last.said) last = { said: text, token: crypto.randomUUID(), at: -Infinity };
    if (act === "save" && now - last.at < TWICE_MS) return;
    last.at = now;
    watchLimits.ask("limits-ask", Object.assign({ token: last.token }, what));
  }

  /* Name, reason and what it builds on outlive a page that is lost while saving; they are let go once saved, and on logging out. */
  const KEPT = "limits-saving ";
  const held = (act) => { try { return act(sessionStorage); } catch (e) { return null; } };
  const who = () => (document.querySelector(".head .who") || { textContent: "" }).textContent;
  const keep = (form) => held((s) => s.setItem(KEPT + form.dataset.rule,
    JSON.stringify([who(), form.elements.name.value, form.elements.reason.value, form.elements.base.value])));
  function recall(form) {
    if (form.dataset.recalled) return;
    form.dataset.recalled = "yes";
    const [whose, name, reason, base] = JSON.parse(held((s) => s.getItem(KEPT + form.dataset.rule)) || "[]");
    if (name === undefined || whose !== who() || form.elements.name.value || form.elements.reason.value) return;
    if ([...form.querySelectorAll("[name=base]")].some((one) => one.value === base)) form.elements.base.value = base;
    form.elements.name.value = name;
    form.elements.reason.value = reason;
  }
  function forget() {
    held((s) => Object.keys(s).filter((key) => key.startsWith(KEPT)).forEach((key) => s.removeItem(key)));
  }
  document.addEventListener("submit", (e) => { if (/\/logout$/.test(e.target.action || "")) forget(); });

  /* What came of it: saved, or something else to build on. */
  function answer(form) {
    const said = document.getElementById("limits-saved");
    const base = said && said.querySelector("[data-new-base]");
    if (base) { form.querySelector("[data-base]").replaceChildren(...base.childNodes); base.remove(); keep(form); }
    const saved = said && said.querySelector("[data-saved]:not([data-seen])");
    if (!saved) return;
    saved.dataset.seen = "yes";
    held((s) => s.removeItem(KEPT + form.dataset.rule));
    form.elements.name.value = form.elements.reason.value = "";
  }

  let planned = false;
  function look() {
    planned = false;
    const form = document.querySelector("form.tune-save");
    if (form) { recall(form); answer(form); }
    settle();
    follow();
  }
  new MutationObserver(() => {
    if (planned) return;
    planned = true;
    requestAnimationFrame(look);
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
