/* The browser half: markup blocks, the address as the only state, keys, theme. No value is computed here. */
(function () {
  "use strict";
  const system = window.matchMedia("(prefers-color-scheme: dark)");
  const remember = (key, value) => { try { localStorage.setItem(key, value); } catch (e) { /* not kept */ } };
  const recall = (key) => { try { return localStorage.getItem(key); } catch (e) { return null; } };

  /* --- a block of server-made markup ------------------------------------------------------------------------ */
  /* New markup keeps the focus: on what has the same key as before, else on the part of the page it was in. */
  const keyOf = (e) => e && (e.dataset.event && e.tagName === "A" ? `a[data-event="${CSS.escape(e.dataset.event)}"]`
    : e.dataset.pass ? `[data-pass="${e.dataset.pass}"]` + (e.dataset.to ? `[data-to="${e.dataset.to}"]` : "")
    : e.id ? "#" + CSS.escape(e.id) : e.name ? `[name="${CSS.escape(e.name)}"]` : null);
  function Block(props) {
    const now = document.activeElement;
    const before = now && now.closest && props.id && now.closest("#" + CSS.escape(props.id)) ? now : null;
    window.React.useLayoutEffect(() => {
      const block = document.getElementById(props.id);
      window.watchDrafts.fill(block);
      if (!before || before.isConnected) return;
      const key = keyOf(before), passing = before.form && before.form.matches(".passing");
      const homes = [block && key && block.querySelector(key), passing && block && block.querySelector("[name=pass-to]"), chosenRow(), document.querySelector("#bulk [data-undo]"),
        document.getElementById("reading"), document.getElementById("page")];
      for (const home of homes) {
        if (home) home.focus({ preventScroll: true });
        if (home && document.activeElement === home) return;
      }
    });
    return window.React.createElement("div", {
      id: props.id, className: props.className, dangerouslySetInnerHTML: { __html: props.markup || "" },
    });
  }
  window.rollout_watch = { Block };

  /* --- the address ------------------------------------------------------------------------------------------ */
  function go(href, replace) {
    const url = new URL(href, location.href);
    if (url.href === location.href) return document.getElementById("first-run") ? location.reload() : undefined;
    const elsewhere = url.pathname !== location.pathname;
    const other = url.searchParams.get("event") !== new URLSearchParams(location.search).get("event");
    window.watchDecide.leave();
    const alert = document.getElementById("alert");
    if (alert && alert.textContent && !window.watchServer.says()) window.dash_clientside.set_props("alert", { markup: "" });
    history[replace ? "replaceState" : "pushState"]({}, "", url);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    if (elsewhere) {
      window.scrollTo(0, 0);
      const page = document.getElementById("page");
      if (page) page.focus({ preventScroll: true });
    }
    settle();
    if (other && narrow() && document.body.dataset.reading) read();
  }

  function ask(name, value, replace) {
    const query = new URLSearchParams(location.search);
    if (value) query.set(name, value); else query.delete(name);
    query.delete("page");
    query.delete("event");
    const text = query.toString();
    go(location.pathname + (text ? "?" + text : ""), replace);
  }

  document.addEventListener("click", (e) => {
    if (e.defaultPrevented || e.button || e.metaKey || e.ctrlKey || e.shiftKey || e.altKey) return;
    const button = e.target.closest("button");
    if (button && button.dataset.move) return window.watchDecide.inTurn(() => move(Number(button.dataset.move)));
    if (button && button.dataset.stepWeek) return stepWeek(Number(button.dataset.stepWeek));
    if (button && button.dataset.print !== undefined) return window.print();
    if (button && button.id === "theme-switch") return switchTheme();
    if (button && button.id === "try-again") return location.reload();
    const link = e.target.closest("a[href]");
    if (!link || link.target || link.hasAttribute("download") || link.origin !== location.origin) return;
    if (link.getAttribute("href").startsWith("#")) return;
    e.preventDefault();
    if (link.classList.contains("back")) return back();
    go(link.href, false);
  });

  document.addEventListener("change", (e) => {
    const field = e.target.closest("[data-query]");
    if (field && field.type !== "search") ask(field.name, field.value, false);
    if (field && field.tagName === "SELECT" && byPointer) leaveField(field);
    if (e.target.id === "single-keys") { remember("keys", e.target.checked ? "on" : "off"); settle(); }
  });

  /* A choice made with the pointer gives the keys back to the list; by keyboard one stays in the field, and Escape leaves. */
  let byPointer = false;
  document.addEventListener("pointerdown", () => { byPointer = true; }, true);
  document.addEventListener("keydown", () => { byPointer = false; }, true);
  function leaveField(field) {
    if (chosenRow()) chosenRow().focus({ preventScroll: true }); else field.blur();
  }

  let typing = 0;
  document.addEventListener("input", (e) => {
    const field = e.target.closest("[data-query][type=search]");
    if (!field) return;
    clearTimeout(typing);
    typing = setTimeout(() => ask(field.name, field.value.trim(), true), 200);
  });

  /* --- the list --------------------------------------------------------------------------------------------- */
  const rows = () => Array.from(document.querySelectorAll("a.row[data-event]"));
  const chosen = (all = rows()) => new URLSearchParams(location.search).get("event") || (all[0] && all[0].dataset.event);
  const placeOf = (all, event = chosen(all)) => all.findIndex((row) => row.dataset.event === event);
  const chosenRow = () => { const all = rows(); return all[placeOf(all)] || all[0]; };

  let stood = { event: null, at: 0 };  // where the event that is read was seen in the list last
  function move(by) {
    const all = rows();
    if (!all.length) return;
    const at = placeOf(all);
    const next = at >= 0 ? at + by : stood.event === chosen(all) ? stood.at + Math.min(by, 0) : by > 0 ? 0 : all.length - 1;
    if (next < 0) return;
    if (next >= all.length) {
      const more = document.querySelector("a[data-next]");
      if (more) go(more.href, false);
      return;
    }
    go(all[next].href, true);
    all[next].focus({ preventScroll: true });
    all[next].scrollIntoView({ block: "nearest" });
  }

  /* The next line without a verdict: after this one, or after where this one stood before it left the list. */
  function skip() {
    const all = rows();
    const here = chosen(all);
    const at = placeOf(all, here);
    const from = at >= 0 ? at + 1 : stood.event === here ? Math.min(stood.at, all.length) : 0;
    const open = (row) => !row.dataset.verdict && row.dataset.event !== here && !window.watchDecide.asked(row.dataset.event);
    const more = document.querySelector("a[data-next-open]");
    const next = all.slice(from).find(open) || (more ? null : all.slice(0, from).find(open));
    if (!next) { if (more) go(more.href, false); return; }
    go(next.href, true);
    next.focus({ preventScroll: true });
    next.scrollIntoView({ block: "nearest" });
  }

  /* Names the event that is read in the address, so that it stays when the list changes. */
  function pin(event) {
    const query = new URLSearchParams(location.search);
    if (!event || query.get("event") === event) return;
    query.set("event", event);
    go(location.pathname + "?" + query.toString(), true);
  }
  window.watch = { skip, pin, chosen };

  function stepWeek(by) {
    const select = document.querySelector("select[name=week]");
    const next = select.selectedIndex + by;
    if (next < 0 || next >= select.options.length) return;
    ask("week", select.options[next].value, false);
  }

  /* In a narrow window the event stands in the place of the list, and is read from its headline on. */
  const narrow = () => window.innerWidth < 1280;
  function read() {
    const pane = document.getElementById("reading");
    if (!pane) return;
    if (!pane.contains(document.activeElement)) pane.focus({ preventScroll: narrow() });
    if (narrow()) pane.scrollIntoView({ block: "start" });
  }

  /* To the event's line; to the one in its place when it has left the list, and to the page when that is empty. */
  function back() {
    const all = rows(), at = placeOf(all);
    const home = all[at >= 0 ? at : stood.event === chosen(all) ? Math.min(stood.at, all.length - 1) : 0];
    const query = new URLSearchParams(location.search);
    query.delete("event");
    const text = query.toString();
    if (narrow()) go(location.pathname + (text ? "?" + text : ""), false);
    (home || document.getElementById("page")).focus();
  }

  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const field = e.target.closest("input:not([type=radio], [type=checkbox]), select, textarea");
    const reads = e.target.closest("#reading") || (e.target === document.body && document.body.dataset.reading && narrow());
    if (e.key === "Escape" && reads) { e.preventDefault(); return back(); }
    if (e.key === "Escape" && e.target.matches("select[data-query]") && chosenRow()) return chosenRow().focus();
    if (field) return;
    const row = e.target.closest("a.row[data-event]");
    const inTurn = window.watchDecide.inTurn;
    if (row && (e.key === "ArrowDown" || e.key === "ArrowUp")) {
      e.preventDefault();
      return inTurn(() => move(e.key === "ArrowDown" ? 1 : -1));
    }
    if (row && e.key === "Enter" && row.dataset.event === chosen()) { e.preventDefault(); return read(); }
    if (recall("keys") === "off") return;
    const press = { j: () => move(1), k: () => move(-1), o: open }[e.key.toLowerCase()];
    if (window.watchDecide.press(e.key.toLowerCase())) return e.preventDefault();
    if (press && rows().length + document.querySelectorAll("[data-open]").length) { e.preventDefault(); inTurn(press); }
  });

  function open() {
    const link = document.querySelector("a[data-open]");
    if (link) go(link.href, false);
  }

  /* --- theme ------------------------------------------------------------------------------------------------ */
  function theme() {
    return document.documentElement.dataset.theme || (system.matches ? "dark" : "light");
  }
  function switchTheme() {
    const next = theme() === "dark" ? "light" : "dark";
    document.documentElement.dataset.theme = next;
    remember("theme", next);
    tellTheme();
  }
  function tellTheme() {
    if (window.dash_clientside && window.dash_clientside.set_props && document.getElementById("head")) {
      window.dash_clientside.set_props("theme", { data: theme() });
    }
    settle();
  }
  system.addEventListener("change", tellTheme);

  /* --- what follows from the address, put right after every change of the page ------------------------------- */
  function settle() {
    const query = new URLSearchParams(location.search);
    for (const link of document.querySelectorAll("a[data-place]")) {
      const path = link.getAttribute("href");
      const here = path === "/" ? location.pathname === "/" : (location.pathname + "/").startsWith(path + "/") || (path === "/landings" && location.pathname.startsWith("/landing/"));
      set(link, "aria-current", here ? "page" : null);
    }
    const all = rows();
    const at = placeOf(all);
    if (at >= 0) stood = { event: all[at].dataset.event, at };
    all.forEach((row, i) => {
      set(row, "aria-current", i === at ? "true" : null);
      set(row, "tabindex", i === Math.max(at, 0) ? "0" : "-1");
    });
    set(document.body, "data-reading", query.get("event") && document.querySelector(".week-page") ? "yes" : null);
    for (const field of document.querySelectorAll("[data-query]")) {
      if (field === document.activeElement && field.type === "search") continue;
      const asked = query.get(field.name) || "";
      if (field.type === "radio") field.checked = field.value === asked;
      else if (field.name === "week") chooseWeek(field, asked);
      else if (field.value !== asked) field.value = asked;
    }
    const week = document.querySelector("select[name=week]");
    for (const button of document.querySelectorAll("[data-step-week]")) {
      const next = week.selectedIndex + Number(button.dataset.stepWeek);
      set(button, "disabled", next < 0 || next >= week.options.length - 1 ? "" : null);
    }
    const button = document.getElementById("theme-switch");
    if (button) say(button, theme() === "dark" ? "Light" : "Dark");
    const keys = document.getElementById("single-keys");
    if (keys) keys.checked = recall("keys") !== "off";
    const title = document.querySelector("#page h1");
    say(document.querySelector("title"), (title ? title.textContent + " – " : "") + "Rollout Watch");
    if (window.watchTraces) window.watchTraces();
    const pane = document.getElementById("reading");
    if (!window.watchDecide) return;
    if (pane) set(pane, "aria-busy", window.watchDecide.ready() ? null : "true");
    window.watchDecide.fit();
    window.watchDecide.turn();
  }
  /* Where every week is the first choice, it stands without a name; the Week page begins with the newest. */
  function chooseWeek(field, asked) {
    field.value = asked || (field.options[0] && field.options[0].value);
    if (asked === "all" && field.selectedIndex < 0) field.value = "";
  }
  function set(element, name, value) {
    if (value === null) { if (element.hasAttribute(name)) element.removeAttribute(name); }
    else if (element.getAttribute(name) !== value) element.setAttribute(name, value);
  }
  /* Only what differs is written: writing is a change, and a change calls settle again. */
  function say(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  let waiting = false;
  new MutationObserver(() => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; settle(); });
  }).observe(document.documentElement, { childList: true, subtree: true });
  window.addEventListener("popstate", settle);

  /* --- what Dash calls -------------------------------------------------------------------------------------- */
  const HOME = { "week-filters": "/", "landings-filters": "/landings", "missing-filters": "/not-assessed" };
  const CHART = {
    showSendToCloud: false, plotlyServerURL: "", displaylogo: false, displayModeBar: false, responsive: true, doubleClick: "reset",
  };
  const light = {};
  function recolour(part, map) {
    if (typeof part === "string") {
      if (map[part]) return map[part];
      return part.includes("#") ? part.replace(/#[0-9a-f]{6}/g, (c) => map[c] || c) : part;
    }
    if (Array.isArray(part)) return part.length && typeof part[0] === "number" ? part : part.map((x) => recolour(x, map));
    if (part && typeof part === "object") return Object.fromEntries(Object.entries(part).map(([k, v]) => [k, recolour(v, map)]));
    return part;
  }
  window.watchLight = light;
  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    watch: {
      answered: function (answer) { window.watchDecide.answered(answer); },
      filters: function (search, before, path, store) {
        if (path !== HOME[store]) return window.dash_clientside.no_update;
        const query = new URLSearchParams(search || "");
        query.delete("event");
        const now = query.toString();
        return now === before ? window.dash_clientside.no_update : now;
      },
      paint: function (figure, _theme, map, holder) {
        const id = holder.replace(/-chart$/, "");
        light[id] = figure;
        if (!figure) return null;
        if (window.watchCharts) window.watchCharts();
        const props = {
          id, config: CHART, figure: theme() === "dark" ? recolour(figure, map) : figure,
          style: { height: figure.layout.height + "px" },
        };
        return { type: "Graph", namespace: "dash_core_components", props };
      },
    },
  });
})();
