/* Moving a limit: every number is looked up among the points that the server counted; nothing is asked while moving.
   A limit that was typed stands where it was typed; what it finds between or beyond the points is counted by the server. */
(function () {
  "use strict";
  const LEVELS = ["low", "medium", "high"];
  const NAMES = { low: "Low", medium: "Medium", high: "High" };
  const PAUSE_MS = 250, COUNTING = "…";
  let chart = null, data = null, draft = null, exact = null, shown = "", asks = 0, waiting = 0, dragging = null;
  const drafts = new Map(); // of each set of limits that was worked on since the page was opened

  const slot = (name) => document.querySelector('.tune-page [data-slot="' + name + '"]');
  const say = (name, text) => { const e = slot(name); if (e && e.textContent !== text) e.textContent = text; };
  const comma = (n) => n.toLocaleString("en-GB");
  const whole = (value) => Math.round(value * 1e9) / 1e9;
  /* Digits after the point: those of the steps, or more when a limit was typed with more. */
  function decimals(value) {
    let d = data.decimals;
    while (d < 9 && Math.abs(value * data.scale - Number((value * data.scale).toFixed(d))) > 1e-9) d += 1;
    return d;
  }
  const number = (value, digits) => {
    const d = digits === undefined ? decimals(value) : digits;
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
  /* Where the counts of a limit stand: among the points, among those counted for this draft, else nowhere yet. */
  function counts(limit) {
    const i = nearest(limit);
    if (Math.abs(data.x[i] - limit) < 1e-9) return [data, i];
    const j = exact ? exact.x.findIndex((x) => Math.abs(x - limit) < 1e-9) : -1;
    return j < 0 ? null : [exact, j];
  }
  function of(limit, column) {
    const [from, i] = counts(limit) || [data, nearest(limit)];
    return from[column] ? from[column][i] : null;
  }
  const at = (limit, column) => (limit === undefined ? 0 : of(limit, column));
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
  function rate(limit) {
    const n = of(limit, "events"), assessed = of(limit, "assessed");
    if (!assessed) return "–";
    const digits = (n * 1000) / assessed >= 30 ? 0 : 1;
    const [low, high] = [fixed(of(limit, "lower"), digits), fixed(of(limit, "upper"), digits)];
    return n ? per(n, assessed) + " (" + low + "–" + high + ")" : "below " + high;
  }

  /* Wilson's score interval of a share, as fdm.statistics has it. */
  function share(part, whole) {
    if (whole < data.fewest) return whole ? part + " of " + whole : "none decided";
    const z = 1.959963984540054, p = part / whole, z2 = (z * z) / whole;
    const middle = (p + z2 / 2) / (1 + z2), half = (z / (1 + z2)) * Math.sqrt((p * (1 - p)) / whole + z2 / (4 * whole));
    const pct = (x) => Math.round(100 * Math.min(1, Math.max(0, x)));
    return pct(p) + " % (" + pct(part ? middle - half : 0) + "–" + pct(part === whole ? 1 : middle + half) + ")";
  }

  /* Of the events in force those that a limit would find, or those that it would not; of all without a limit. */
  function shares(key, limit, complement) {
    const known = limit === undefined || counts(limit);
    const all = (name) => data[name][data[name].length - 1];
    const n = (name) => (limit === undefined ? all(name) : complement ? all(name) - of(limit, name) : of(limit, name));
    say("share-" + key, known ? share(n("nuisance"), n("decided")) : COUNTING);
    say("decided-" + key, known ? comma(n("decided")) : COUNTING);
    say("undecided-" + key, known ? comma(n("undecided")) : COUNTING);
  }

  /* Of what the condition that is tried leaves out. */
  function leftOut(n) {
    say("share-left", share(n.nuisance, n.decided));
    say("decided-left", comma(n.decided));
    say("undecided-left", comma(n.undecided));
    slot("share-left").closest("tr").hidden = !data.tried;
  }

  const signed = (n, sign) => (n ? sign + comma(n) : "0");
  function sentence(rows) {
    const listed = (key, more) => rows.filter((r) => r[key]).map((r) => comma(r[key]) + more + NAMES[r.level]).join(", ").replace(/, ([^,]*)$/, " and $1");
    const parts = [listed("gained", " more "), listed("lost", " fewer ")].filter(Boolean);
    if (!changed() && !data.tried) return "These are the limits in force.";
    if (used().some((level) => !counts(draft[level]))) return "Counting what these limits find.";
    if (!parts.length) return "With this draft, every landing is judged as it is now.";
    return "The draft has " + parts.join(", and ") + ".";
  }
  const changed = () => used().some((level) => draft[level] !== data.limits[level]);

  function show() {
    if (!chart || !chart.isConnected) return;
    const began = performance.now();
    const rows = [];
    for (const level of used()) {
      const limit = draft[level], moved = limit !== data.limits[level], next = end(draft, level);
      move(level, moved);
      const now = within(data.limits, level, "now"), then = within(draft, level, "events"), kept = both(level);
      const found = (text) => (counts(limit) && (next === undefined || counts(next)) ? text : COUNTING);
      const beyond = (text) => (counts(limit) ? text : COUNTING);
      rows.unshift({ level, gained: then - kept, lost: now - kept });
      say("events-now-" + level, comma(now));
      say("events-draft-" + level, found(comma(then)));
      say("gained-" + level, found(signed(then - kept, "+")));
      say("lost-" + level, found(signed(now - kept, "−")));
      say("certain-" + level, beyond(comma(of(limit, "certain"))));
      say("beyond-" + level, beyond(comma(of(limit, "events"))));
      say("possible-" + level, beyond(comma(of(limit, "possible"))));
      say("rate-" + level, beyond(rate(limit)));
      say("of-" + level, beyond("of " + comma(of(limit, "assessed"))));
      shares("beyond-" + level, limit, false);
      shares("within-" + level, limit, true);
      const field = document.querySelector('[data-limit="' + level + '"]');
      if (field && field !== document.activeElement) field.value = plain(limit);
      if (field) { field.toggleAttribute("data-changed", moved); field.disabled = false; }
    }
    shares("all");
    leftOut(data.left_out);
    total();
    const assessed = counts(draft.low) ? comma(at(draft.low, "assessed")) : COUNTING;
    say("assessed-draft", assessed);
    say("assessed-now", data.assessed_now === null ? "not told" : comma(data.assessed_now));
    say("assessed", (data.tried ? "draft: " : "") + "in " + assessed + " assessed" + (data.landings === null ? "" : " of " + comma(data.landings) + " landings"));
    say("finding", sentence(rows));
    say("resolves", resolves());
    const back = document.querySelector("[data-tune-back]");
    if (back) back.disabled = !changed();
    stagger();
    chart.dataset.tookMs = (performance.now() - began).toFixed(2);
  }

  /* Events of any severity: what lies beyond the lowest limit. */
  function total() {
    const found = (text) => (counts(draft.low) ? text : COUNTING);
    const now = at(data.limits.low, "now"), then = at(draft.low, "events"), kept = at(further(draft.low, data.limits.low), "both");
    say("events-now-all", comma(now));
    say("events-draft-all", found(comma(then)));
    say("gained-all", found(signed(then - kept, "+")));
    say("lost-all", found(signed(now - kept, "−")));
  }

  const plain = (value) => (value * data.scale).toFixed(decimals(value));

  function move(level, moved) {
    const limit = draft[level], x = place(limit) + "%", first = data.x[0], last = data.x[data.x.length - 1];
    const one = (kind) => chart.querySelector("[data-" + kind + '="' + level + '"]');
    const handle = one("level");
    handle.style.left = x;
    handle.querySelector("b").textContent = quantity(limit);
    handle.setAttribute("aria-valuemin", plain(Math.min(first, limit)));
    handle.setAttribute("aria-valuemax", plain(Math.max(last, limit)));
    handle.setAttribute("aria-valuenow", plain(limit));
    const beyond = counts(limit) ? comma(of(limit, "events")) + " beyond it" : "counting";
    handle.setAttribute("aria-valuetext", quantity(limit) + ", " + beyond);
    handle.dataset.outside = limit > last ? "right" : limit < first ? "left" : "";
    one("line").style.left = x;
    for (const kind of ["old", "was"]) { one(kind).hidden = !moved; one(kind).style.left = place(data.limits[level]) + "%"; }
    one("was").textContent = "was " + number(data.limits[level]);
    const zone = one("zone"), below = of(limit, "below"), above = of(limit, "above");
    zone.hidden = below === null;
    if (!zone.hidden) {
      const from = place(limit - below), to = place(limit + above);
      zone.style.left = from + "%";
      zone.style.width = to - from + "%";
    }
    const assessed = of(limit, "assessed"), dot = one("events"), label = one("events-rate");
    const y = (n) => 100 * (1 - (Math.log10(Math.max((n * 1000) / assessed, 10 ** data.floor)) - data.floor) / (data.ceiling - data.floor));
    dot.hidden = label.hidden = !assessed || !counts(limit);
    dot.style.left = label.style.left = x;
    if (!assessed) return;
    dot.style.top = label.style.top = y(of(limit, "events")) + "%";
    label.textContent = per(of(limit, "events"), assessed);
  }

  /* Heads that would cover each other stand on rows of their own. */
  function stagger() {
    const { inRows, keepApart } = window.watchPlaces;
    const over = chart.querySelector(".tune-over").getBoundingClientRect();
    const heads = (kind) => used().map((level) => chart.querySelector("[data-" + kind + '="' + level + '"]')).filter((e) => !e.hidden);
    chart.style.setProperty("--rows", inRows(heads("level")));
    chart.style.setProperty("--was-rows", inRows(heads("was")));
    for (const label of chart.querySelectorAll(".tune-rate:not(.low)")) {
      label.removeAttribute("data-left");
      label.toggleAttribute("data-left", label.getBoundingClientRect().right > over.right + 1);
    }
    keepApart(Array.from(chart.querySelectorAll("[data-events-rate]")), -1);
  }

  function resolves() {
    const told = used().map((level) => {
      const below = of(draft[level], "below"), above = of(draft[level], "above");
      if (below === null) return "";
      return NAMES[level] + " −" + number(below, data.decimals + 1) + " +" + number(above, data.decimals + 1) + data.unit;
    }).filter(Boolean);
    return told.length ? "The recorder cannot tell values this near: " + told.join("; ") + ". Hatched in the drawing."
      : "Too few landings with bounds to say what the recorder resolves.";
  }

  /* --- moving ----------------------------------------------------------------------------------------------- */
  /* A limit cannot pass its neighbours. */
  function put(level, value, why) {
    const order = used(), i = order.indexOf(level);
    let wanted = whole(value);
    say("hint", "");
    for (const [other, sign] of [[order[i - 1], 1], [order[i + 1], -1]]) {
      if (other !== undefined && (wanted - draft[other]) * sign * data.direction < 0) {
        wanted = draft[other];
        if (why === "typed") say("hint", NAMES[level] + " cannot pass " + NAMES[other] + ", " + quantity(draft[other]) + ".");
      }
    }
    if (draft[level] === wanted) return show();
    draft[level] = wanted;
    show();
    rest();
  }

  /* Moved by hand, a limit goes from point to point; from between them to the next. */
  function step(level, by) {
    const x = data.x, limit = draft[level], last = x.length - 1;
    const over = x.findIndex((one) => one > limit + 1e-9);
    if (by > 0 && over >= 0) put(level, x[Math.min(last, over + by - 1)]);
    if (by > 0) return;
    const under = (over < 0 ? last : over - 1) - (counts(limit) && counts(limit)[0] === data ? 1 : 0);
    if (under >= 0) put(level, x[Math.max(0, under + by + 1)]);
  }

  /* After a pause the address keeps what was moved, and the lists are asked for. */
  function rest() {
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      const query = new URLSearchParams(location.search);
      for (const level of LEVELS) {
        if (draft[level] !== data.limits[level]) query.set(level, String(draft[level])); else query.delete(level);
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
    if (store === "limits-asked") { shown = key; about.no = asks += 1; }
    window.dash_clientside.set_props(store, { data: about });
  }

  window.watchLimits = { ask, say, draft: () => draft, pause: PAUSE_MS };

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
  document.addEventListener("click", (e) => {
    const button = e.target.closest && e.target.closest("[data-tune-back]");
    if (!button || !data) return;
    const first = button === document.activeElement && document.querySelector("[data-limit]");
    Object.assign(draft, data.limits); show(); rest();
    if (first) first.focus(); // the button is dead now, and the focus would be nowhere
  });

  /* What was typed as a number: thousands by comma or space, a decimal point, or a decimal comma where it can be no
     thousands mark; with or without the unit behind it. NaN for anything else. */
  function read(text) {
    const unit = data.unit.trim();
    let said = text.trim().replace(/^[−–]/, "-").replace(/^\+/, "");
    if (unit && said.endsWith(unit)) said = said.slice(0, -unit.length).trim();
    if (/^-?[1-9]\d{0,2}([ ,\u00a0\u202f])\d{3}(\1\d{3})*(\.\d+)?$/.test(said)) return Number(said.replace(/[^\d.-]/g, ""));
    if (/^-?\d+,\d+$/.test(said)) return Number(said.replace(",", "."));
    return /^-?(\d+\.?\d*|\.\d+)$/.test(said) ? Number(said) : NaN;
  }
  const meaningless = (value) => value < 0 && data.x[0] >= 0;
  const refuse = (level) => say("hint", "A limit below 0 has no meaning here. " + NAMES[level] + " stays at " + quantity(draft[level]) + ".");
  const UNITS = { "°": "degrees", s: "seconds", kt: "knots", m: "metres", "%": "per cent" };
  function typed(field) {
    if (!data || !chart) return;
    const level = field.dataset.limit, value = read(field.value), unit = data.unit.trim();
    if (!Number.isFinite(value)) {
      say("hint", "Write a number" + (unit ? " of " + (UNITS[unit] || unit) : "") + ", such as " + plain(data.limits[level]) + ". "
        + NAMES[level] + " stays at " + quantity(draft[level]) + ".");
    } else if (meaningless(value)) refuse(level);
    else if (value !== Number(plain(draft[level]))) put(level, value / data.scale, "typed");
    else say("hint", "");
    field.value = plain(draft[level]);
  }

  const shareAt = (e) => {
    const box = chart.querySelector(".tune-over").getBoundingClientRect();
    return (e.clientX - box.left) / box.width;
  };
  document.addEventListener("pointerdown", (e) => {
    const handle = e.target.closest && e.target.closest(".tune-handle");
    if (!handle || e.button || !data) return;
    e.preventDefault();
    handle.focus();
    const level = handle.dataset.level;
    dragging = { level, from: e.clientX, held: shareAt(e) - place(draft[level]) / 100 };
    handle.setPointerCapture(e.pointerId);
  });
  document.addEventListener("pointermove", (e) => {
    if (!dragging || !chart || e.clientX === dragging.from) return;
    dragging.from = NaN;
    const share = shareAt(e) - dragging.held;
    put(dragging.level, data.x[nearest(data.x[0] + share * (data.x[data.x.length - 1] - data.x[0]))]);
  });
  for (const kind of ["pointerup", "pointercancel"]) document.addEventListener(kind, () => { dragging = null; });

  /* --- a new drawing ---------------------------------------------------------------------------------------- */
  /* The limits stand in the address when the page is opened; else each set of limits has its draft. */
  function begin(fresh) {
    const key = JSON.stringify([data.rule, data.limits]), query = new URLSearchParams(location.search);
    if (fresh || !drafts.has(key)) drafts.set(key, Object.assign({}, data.limits));
    draft = drafts.get(key);
    if (!fresh) return;
    for (const level of used()) {
      const asked = Number(query.get(level));
      if (!query.get(level) || !Number.isFinite(asked)) continue;
      if (meaningless(asked)) refuse(level); else draft[level] = whole(asked);
    }
    if (used().every((l, i, all) => !i || !worse(draft[all[i - 1]], draft[l]))) return;
    Object.assign(draft, data.limits);
    say("hint", "The limits in the address are not in order. These are the limits in force.");
  }

  function take(found) {
    const before = data;
    chart = found;
    data = JSON.parse(found.dataset.sweep);
    exact = null;
    begin(!before || before.rule !== data.rule);
    for (const level of used()) say("now-" + level, quantity(data.limits[level]));
    show();
    shown = "";
    rest();
  }

  function count(found) {
    const said = JSON.parse(found.dataset.counted);
    found.remove();
    if (said.no !== asks) return;
    exact = said;
    show();
  }

  let planned = false;
  function look() {
    planned = false;
    const found = document.querySelector("#limits-chart .tune");
    if (found && found !== chart) take(found);
    if (window.watchNothing.look()) { clearTimeout(waiting); chart = exact = null; shown = ""; }
    const counted = document.querySelector("#limits-lists [data-counted]");
    if (counted && data) count(counted);
    if (!found && !document.querySelector(".tune-page")) { chart = null; data = null; draft = null; exact = null; shown = ""; drafts.clear(); }
  }
  new MutationObserver(() => {
    if (planned) return;
    planned = true;
    requestAnimationFrame(look);
  }).observe(document.documentElement, { childList: true, subtree: true });
  window.addEventListener("resize", () => { if (chart && chart.isConnected) stagger(); });
})();
