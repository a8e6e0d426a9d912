/* Moving a limit: every number is looked up among the points that the server counted; nothing is asked while moving. */
(function () {
  "use strict";
  const LEVELS = ["low", "medium", "high"];
  const NAMES = { low: "Low", medium: "Medium", high: "High" };
  const PAUSE_MS = 250;
  let chart = null, data = null, draft = null, shown = "", waiting = 0, dragging = null;

  const slot = (name) => document.querySelector('.tune-page [data-slot="' + name + '"]');
  const say = (name, text) => { const e = slot(name); if (e && e.textContent !== text) e.textContent = text; };
  const comma = (n) => n.toLocaleString("en-GB");
  const number = (value, digits) => {
    const d = digits === undefined ? data.decimals : digits;
    return (value * data.scale).toLocaleString("en-GB", { minimumFractionDigits: d, maximumFractionDigits: d }).replace("-", "−");
  };
  const quantity = (value) => number(value) + data.unit;
  const used = () => LEVELS.filter((level) => data.limits[level] !== undefined);
  const worse = (a, b) => (a - b) * data.direction > 0;

  /* --- looking up ------------------------------------------------------------------------------------------- */
  function nearest(value) {
    const x = data.x;
    let low = 0, high = x.length - 1;
    while (high - low > 1) { const mid = (low + high) >> 1; if (x[mid] <= value) low = mid; else high = mid; }
    return value - x[low] <= x[high] - value ? low : high;
  }
  const at = (limit, column) => (limit === undefined ? 0 : data[column][nearest(limit)]);
  const place = (limit) => Math.min(1, Math.max(0, (limit - data.x[0]) / (data.x[data.x.length - 1] - data.x[0]))) * 100;

  /* The limit at which a level ends: that of the next level that is used. */
  function end(limits, level) {
    for (const next of LEVELS.slice(LEVELS.indexOf(level) + 1)) if (limits[next] !== undefined) return limits[next];
    return undefined;
  }
  const within = (limits, level, column) => at(limits[level], column) - at(end(limits, level), column);
  const further = (a, b) => (a === undefined || b === undefined ? undefined : worse(a, b) ? a : b);
  function both(level) {
    const from = further(draft[level], data.limits[level]);
    const ends = [end(draft, level), end(data.limits, level)];
    const to = ends[0] === undefined ? ends[1] : ends[1] === undefined ? ends[0] : worse(ends[0], ends[1]) ? ends[1] : ends[0];
    return Math.max(0, at(from, "both") - at(to, "both"));
  }

  /* --- showing ---------------------------------------------------------------------------------------------- */
  const fixed = (x, digits) => x.toLocaleString("en-GB", { minimumFractionDigits: digits, maximumFractionDigits: digits });
  const per = (n, of) => fixed((n * 1000) / of, (n * 1000) / of >= 30 ? 0 : 1);
  function rate(i) {
    const n = data.events[i], of = data.assessed[i];
    if (!of) return "–";
    const digits = (n * 1000) / of >= 30 ? 0 : 1;
    const [low, high] = [fixed(data.lower[i], digits), fixed(data.upper[i], digits)];
    return n ? per(n, of) + " (" + low + "–" + high + ")" : "below " + high;
  }

  /* Wilson's score interval of a share, as fdm.statistics has it. */
  function share(part, whole) {
    if (whole < data.fewest) return whole ? part + " of " + whole : "none decided";
    const z = 1.959963984540054, p = part / whole, z2 = (z * z) / whole;
    const middle = (p + z2 / 2) / (1 + z2), half = (z / (1 + z2)) * Math.sqrt((p * (1 - p)) / whole + z2 / (4 * whole));
    const pct = (x) => Math.round(100 * Math.min(1, Math.max(0, x)));
    return pct(p) + " % (" + pct(part ? middle - half : 0) + "–" + pct(part === whole ? 1 : middle + half) + ")";
  }

  function shares(key, i, complement) {
    const last = data.decided.length - 1;
    const of = (name) => (complement ? data[name][last] - data[name][i] : data[name][i]);
    say("share-" + key, share(of("nuisance"), of("decided")));
    say("decided-" + key, comma(of("decided")));
    say("undecided-" + key, comma(of("undecided")));
  }

  const signed = (n, sign) => (n ? sign + comma(n) : "0");
  function sentence(rows) {
    const parts = rows.filter((r) => r.gained || r.lost).map((r) => {
      const both = [r.gained ? comma(r.gained) + " more" : "", r.lost ? comma(r.lost) + " fewer" : ""].filter(Boolean);
      return both.join(" and ") + " " + NAMES[r.level];
    });
    if (!changed() && !data.tried) return "These are the limits in force.";
    if (!parts.length) return "With this draft, every landing is judged as it is now.";
    return "The draft has " + parts.join(", ").replace(/, ([^,]*)$/, " and $1") + ".";
  }
  const changed = () => used().some((level) => draft[level] !== data.limits[level]);

  function show() {
    if (!chart || !chart.isConnected) return;
    const began = performance.now();
    const rows = [];
    for (const level of used()) {
      const i = nearest(draft[level]), moved = draft[level] !== data.limits[level];
      move(level, i, moved);
      const now = within(data.limits, level, "now"), then = within(draft, level, "events"), kept = both(level);
      rows.unshift({ level, gained: then - kept, lost: now - kept });
      say("events-now-" + level, comma(now));
      say("events-draft-" + level, comma(then));
      say("gained-" + level, signed(then - kept, "+"));
      say("lost-" + level, signed(now - kept, "−"));
      say("certain-" + level, comma(data.certain[i]));
      say("beyond-" + level, comma(data.events[i]));
      say("possible-" + level, comma(data.possible[i]));
      say("rate-" + level, rate(i));
      shares("beyond-" + level, i, false);
      shares("within-" + level, i, true);
      const field = document.querySelector('[data-limit="' + level + '"]');
      if (field && field !== document.activeElement) field.value = plain(draft[level]);
      if (field) field.toggleAttribute("data-changed", moved);
    }
    shares("all", data.decided.length - 1, false);
    total();
    say("assessed", "in " + comma(at(draft.low, "assessed")) + " assessed" + (data.landings === null ? "" : " of " + comma(data.landings) + " landings"));
    say("finding", sentence(rows));
    say("resolves", resolves());
    const back = document.querySelector("[data-tune-back]");
    if (back) back.disabled = !changed();
    stagger();
    chart.dataset.tookMs = (performance.now() - began).toFixed(2);
  }

  /* Events of any severity: what lies beyond the lowest limit. */
  function total() {
    const now = at(data.limits.low, "now"), then = at(draft.low, "events"), kept = at(further(draft.low, data.limits.low), "both");
    say("events-now-all", comma(now));
    say("events-draft-all", comma(then));
    say("gained-all", signed(then - kept, "+"));
    say("lost-all", signed(now - kept, "−"));
  }

  const plain = (value) => (value * data.scale).toFixed(data.decimals);

  function move(level, i, moved) {
    const x = place(draft[level]) + "%";
    const one = (kind) => chart.querySelector("[data-" + kind + '="' + level + '"]');
    const handle = one("level");
    handle.style.left = x;
    handle.querySelector("b").textContent = quantity(draft[level]);
    handle.setAttribute("aria-valuemin", plain(data.x[0]));
    handle.setAttribute("aria-valuemax", plain(data.x[data.x.length - 1]));
    handle.setAttribute("aria-valuenow", plain(draft[level]));
    handle.setAttribute("aria-valuetext", quantity(draft[level]) + ", " + comma(data.events[i]) + " beyond it");
    one("line").style.left = x;
    for (const kind of ["old", "was"]) { one(kind).hidden = !moved; one(kind).style.left = place(data.limits[level]) + "%"; }
    one("was").textContent = "was " + number(data.limits[level]);
    const zone = one("zone");
    zone.hidden = !data.below || data.below[i] === null;
    if (!zone.hidden) {
      const from = place(draft[level] - data.below[i]), to = place(draft[level] + data.above[i]);
      zone.style.left = from + "%";
      zone.style.width = to - from + "%";
    }
    const of = data.assessed[i];
    const y = (n) => 100 * (1 - (Math.log10(Math.max((n * 1000) / of, 10 ** data.floor)) - data.floor) / (data.ceiling - data.floor));
    const dot = one("events"), label = one("events-rate");
    dot.hidden = label.hidden = !of;
    dot.style.left = label.style.left = x;
    if (!of) return;
    dot.style.top = label.style.top = y(data.events[i]) + "%";
    label.textContent = per(data.events[i], of);
  }

  /* Heads that would cover each other stand on rows of their own. */
  function stagger() {
    const taken = [];
    for (const level of used()) {
      const handle = chart.querySelector('[data-level="' + level + '"]');
      const box = [handle.offsetLeft - handle.offsetWidth / 2 - 4, handle.offsetLeft + handle.offsetWidth / 2 + 4];
      let row = 0;
      while (taken.some((t) => t.row === row && t.box[0] < box[1] && box[0] < t.box[1])) row += 1;
      taken.push({ row, box });
      handle.style.setProperty("--row", row);
    }
    chart.style.setProperty("--rows", Math.max(1, ...taken.map((t) => t.row + 1)));
  }

  function resolves() {
    const told = used().map((level) => {
      const i = nearest(draft[level]);
      if (!data.below || data.below[i] === null) return "";
      return NAMES[level] + " −" + number(data.below[i], data.decimals + 1) + " +" + number(data.above[i], data.decimals + 1) + data.unit;
    }).filter(Boolean);
    return told.length ? "The recorder cannot tell values this near: " + told.join("; ") + ". Hatched in the drawing."
      : "Too few landings with bounds to say what the recorder resolves.";
  }

  /* --- moving ----------------------------------------------------------------------------------------------- */
  function put(level, value, why) {
    const order = used(), i = order.indexOf(level);
    let wanted = data.x[nearest(value)];
    say("hint", "");
    for (const [other, sign] of [[order[i - 1], 1], [order[i + 1], -1]]) {
      if (other !== undefined && (wanted - draft[other]) * sign * data.direction < 0) {
        wanted = draft[other];
        if (why === "typed") say("hint", NAMES[level] + " cannot pass " + NAMES[other] + ", " + quantity(draft[other]) + ".");
      }
    }
    if (why === "typed" && Math.abs(wanted - value) > data.step * 1e-6 && !slot("hint").textContent) {
      say("hint", "Limits go in steps of " + number(data.step) + data.unit + ", from " + quantity(data.x[0]) + " to " + quantity(data.x[data.x.length - 1]) + ".");
    }
    if (draft[level] === wanted) return show();
    draft[level] = wanted;
    show();
    rest();
  }

  const step = (level, by) => put(level, data.x[Math.min(data.x.length - 1, Math.max(0, nearest(draft[level]) + by))]);

  /* After a pause the address keeps the draft, and the lists are asked for. */
  function rest() {
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      const query = new URLSearchParams(location.search);
      for (const level of LEVELS) {
        if (changed() && draft[level] !== undefined) query.set(level, String(draft[level])); else query.delete(level);
      }
      const text = query.toString();
      const search = text ? "?" + text : "";
      if (search !== location.search) history.replaceState({}, "", location.pathname + search);
      ask("limits-asked", {});
    }, PAUSE_MS);
  }

  function ask(store, what) {
    const about = Object.assign({ search: location.search }, draft || {}, what);
    const key = store + JSON.stringify(about);
    if (store === "limits-asked" && key === shown) return;
    if (store === "limits-asked") shown = key;
    window.dash_clientside.set_props(store, { data: about });
  }

  document.addEventListener("keydown", (e) => {
    const handle = e.target.closest && e.target.closest(".tune-handle");
    if (handle && !e.ctrlKey && !e.metaKey && !e.altKey) {
      const level = handle.dataset.level, big = e.shiftKey ? 10 : 1;
      const act = {
        ArrowRight: () => step(level, big), ArrowUp: () => step(level, big),
        ArrowLeft: () => step(level, -big), ArrowDown: () => step(level, -big),
        PageUp: () => step(level, 10), PageDown: () => step(level, -10),
        Home: () => put(level, data.x[0]), End: () => put(level, data.x[data.x.length - 1]),
        Escape: () => put(level, data.limits[level]),
      }[e.key];
      if (act) { e.preventDefault(); e.stopPropagation(); act(); }
    }
    const field = e.target.closest && e.target.closest("[data-limit]");
    if (field && e.key === "Enter") { e.preventDefault(); typed(field); }
    if (field && (e.key === "ArrowUp" || e.key === "ArrowDown")) {
      e.preventDefault();
      step(field.dataset.limit, (e.key === "ArrowUp" ? 1 : -1) * (e.shiftKey ? 10 : 1));
      field.value = plain(draft[field.dataset.limit]);
    }
  });
  document.addEventListener("change", (e) => {
    const field = e.target.closest && e.target.closest("[data-limit]");
    if (field) typed(field);
  });
  function typed(field) {
    if (!data) return;
    const said = field.value.replace(/,/g, ".").replace("−", "-").replace(/[^\d.+-]/g, "");
    const value = Number(said);
    if (/\d/.test(said) && Number.isFinite(value)) put(field.dataset.limit, value / data.scale, "typed");
    else say("hint", "Write a number" + (data.unit ? " in" + data.unit.replace("°", " degrees") : "") + ".");
    field.value = plain(draft[field.dataset.limit]);
  }

  document.addEventListener("pointerdown", (e) => {
    const handle = e.target.closest && e.target.closest(".tune-handle");
    if (!handle || e.button) return;
    e.preventDefault();
    handle.focus();
    dragging = { handle, level: handle.dataset.level };
    handle.setPointerCapture(e.pointerId);
  });
  document.addEventListener("pointermove", (e) => {
    if (!dragging || !chart) return;
    const box = chart.querySelector(".tune-over").getBoundingClientRect();
    const share = (e.clientX - box.left) / box.width;
    put(dragging.level, data.x[0] + share * (data.x[data.x.length - 1] - data.x[0]));
  });
  for (const kind of ["pointerup", "pointercancel"]) document.addEventListener(kind, () => { dragging = null; });

  /* --- condition and saving --------------------------------------------------------------------------------- */
  let typing = 0;
  document.addEventListener("input", (e) => {
    if (!e.target.matches("[data-condition]")) return;
    clearTimeout(typing);
    const text = e.target.value;
    typing = setTimeout(() => window.dash_clientside.set_props("limits-condition", { data: { text } }), PAUSE_MS);
  });

  function tryCondition(text) {
    const query = new URLSearchParams(location.search);
    if (text === null) query.delete("where"); else query.set("where", text);
    const search = query.toString();
    history.pushState({}, "", location.pathname + (search ? "?" + search : ""));
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }

  document.addEventListener("click", (e) => {
    const button = e.target.closest && e.target.closest("button");
    if (!button) return;
    if (button.dataset.tuneBack !== undefined && data) { draft = Object.assign({}, data.limits); show(); rest(); }
    const field = document.querySelector("[data-condition]");
    if (button.dataset.tuneTry !== undefined) tryCondition(field.value.trim());
    if (button.dataset.tuneOwn !== undefined) { field.value = field.dataset.now; tryCondition(null); }
    if (button.dataset.tuneAsk) {
      const form = button.form;
      const expect = {};
      for (const box of document.querySelectorAll("[data-expect]:checked")) expect[box.dataset.expect] = box.dataset.got;
      ask("limits-ask", {
        act: button.dataset.tuneAsk, token: crypto.randomUUID(), expect,
        name: form.elements.name.value.trim(), reason: form.elements.reason.value.trim(),
      });
    }
  });
  document.addEventListener("submit", (e) => { if (e.target.matches("form.tune-save")) e.preventDefault(); });

  /* --- a new drawing ---------------------------------------------------------------------------------------- */
  function take(found) {
    const before = data;
    chart = found;
    data = JSON.parse(found.dataset.sweep);
    const same = before && draft && before.rule === data.rule && JSON.stringify(before.limits) === JSON.stringify(data.limits);
    if (!same) {
      draft = Object.assign({}, data.limits);
      const query = new URLSearchParams(location.search);
      if (!before || before.rule !== data.rule) {
        for (const level of used()) {
          const asked = Number(query.get(level));
          if (query.get(level) && Number.isFinite(asked)) draft[level] = data.x[nearest(asked)];
        }
        if (used().some((l, i, all) => i && worse(draft[all[i - 1]], draft[l]))) draft = Object.assign({}, data.limits);
      }
    } else {
      for (const level of used()) draft[level] = data.x[nearest(draft[level])];
    }
    for (const level of used()) say("now-" + level, quantity(data.limits[level]));
    show();
    shown = "";
    rest();
  }

  let planned = false;
  function look() {
    planned = false;
    const found = document.querySelector("#limits-chart .tune");
    if (found && found !== chart) take(found);
    if (!found && !document.querySelector(".tune-page")) { chart = null; data = null; draft = null; shown = ""; }
  }
  new MutationObserver(() => {
    if (planned) return;
    planned = true;
    requestAnimationFrame(look);
  }).observe(document.documentElement, { childList: true, subtree: true });
  window.addEventListener("resize", () => { if (chart && chart.isConnected) stagger(); });
})();
