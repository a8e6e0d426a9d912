/* Plays a rollout: the aeroplane from above, the runway and the traces show one time. Values come from the samples in
   one table (dashboard/samples.py); what it does not hold is hatched and said, never made up. */
(function () {
  "use strict";
  const still = window.matchMedia("(prefers-reduced-motion: reduce)");
  const TRAVEL = { 0: 0, 1: 0.5, 2: 1 }; // how far a sleeve stands open: stowed, moving, deployed
  const SLIDE = 12, PANEL = 18, IDLE = 118, FORWARD = 78, REVERSE = 58, BAR = 136, FOOT = 176;
  const APART = 0.05; // of the travel
  const WORDS = { 0: "stowed", 1: "moving", 2: "deployed", 3: "not deployed" };
  let table = null, now = 0, playing = 0, last = 0, stops = [], owing = 0;

  const page = () => document.querySelector(".debrief-page");
  const all = (part) => Array.from(document.querySelectorAll(`.schematic [data-part="${part}"]`));
  const clamp = (x, low, high) => Math.min(Math.max(x, low), high);

  /* --- reading the table --------------------------------------------------------------------------------------- */
  function before(t, at) {
    let low = 0, high = t.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (t[mid] <= at) low = mid + 1; else high = mid;
    }
    return low - 1;
  }

  /* Between two samples of an analogue, the straight line that the traces draw; null where nothing was recorded. */
  function value(line, at) {
    if (!line || !line.t.length) return null;
    const i = before(line.t, at);
    if (i < 0) return null;
    if (i === line.t.length - 1) return at === line.t[i] ? line.v[i] : null;
    const span = line.t[i + 1] - line.t[i];
    if (span > line.gap) return at === line.t[i] ? line.v[i] : null;
    return line.v[i] + (line.v[i + 1] - line.v[i]) * (at - line.t[i]) / span;
  }

  /* The samples of spoilers on either side of a time, the lower first, where they lie so far apart that they may have
     been anywhere between; null where one value tells it, or none. */
  function between(line, at) {
    const i = line ? before(line.t, at) : -1;
    if (value(line, at) === null || line.t[i] === at) return null;
    const ends = [line.v[i], line.v[i + 1]].sort((a, b) => a - b);
    return ends[1] - ends[0] > APART ? ends : null;
  }

  /* {state} when it is known, {between: true} between two samples, {} when it was not recorded. */
  function state(name, at) {
    const found = (table.states[name] || []).find((s) => at >= s[0] && at < s[1]);
    if (!found) return {};
    return found[2] === null ? { between: found[3] } : { state: found[2] };
  }

  /* --- showing one time ------------------------------------------------------------------------------------------ */
  const said = (x, digits) => x.toLocaleString("en-GB", { minimumFractionDigits: digits, maximumFractionDigits: digits }).replace(/^-(?=[0.]*$)/, "").replace("-", "−");
  const put = (element, name, x) => element.setAttribute(name, x);
  const unknown = (element, is) => element.classList.toggle("unknown", is);

  function aeroplane(at) {
    const spoilers = table.spoilers ? table.lines[table.spoilers] : null;
    const ends = between(spoilers, at), up = ends ? ends[1] : value(spoilers, at);
    for (const panel of all("spoiler")) {
      put(panel, "width", up === null ? PANEL : PANEL * clamp(up, 0, 1));
      unknown(panel, up === null || ends !== null);
    }
    for (const wheel of all("gear")) {
      const found = state(wheel.dataset.of, at);
      wheel.classList.toggle("down", found.state === 1);
      unknown(wheel, found.state === undefined);
    }
    for (const sleeve of all("sleeve")) {
      const found = state(sleeve.dataset.of, at);
      const open = found.state === undefined ? 0.5 : TRAVEL[found.state] || 0;
      put(sleeve, "transform", `translate(${-SLIDE * open} 0)`);
      unknown(sleeve, found.state === undefined || found.state === 3);
    }
    for (const opening of all("opening")) {
      const found = state(opening.dataset.of, at);
      const open = found.state === undefined ? 0.5 : TRAVEL[found.state] || 0;
      const edge = Number(opening.dataset.edge || (opening.dataset.edge = opening.getAttribute("x")));
      put(opening, "x", edge - SLIDE * open);
      put(opening, "width", SLIDE * open);
      unknown(opening, found.state === undefined);
      opening.classList.toggle("half", found.state === 1);
    }
    for (const knob of all("lever")) {
      const at_ = value(table.lines[knob.dataset.of], at);
      const reverse = knob.dataset.of.startsWith("reverse");
      const travel = at_ === null ? 0 : reverse ? REVERSE * clamp(at_, 0, 1) : -FORWARD * clamp(at_ / table.lever, -1, 1);
      put(knob, "y", IDLE + travel - 4.5);
      unknown(knob, at_ === null);
    }
    for (const bar of all("brake")) {
      const psi = value(table.lines[bar.dataset.of], at);
      const height = psi === null ? BAR : BAR * clamp(psi / table.psi, 0, 1);
      put(bar, "height", height);
      put(bar, "y", FOOT - height);
      unknown(bar, psi === null);
    }
    const tell = (part, digits) => {
      for (const text of all(part)) {
        const x = value(table.lines[text.dataset.of], at);
        text.textContent = x === null ? "–" : said(x, text.dataset.of.startsWith("epr") ? 2 : digits);
      }
    };
    tell("power", 0);
    tell("psi", 0);
  }

  function runway(at) {
    const strip = table.strip;
    const marks = [[".here", table.distance], [".there", table.beside]];
    for (const [name, line] of marks) {
      const mark = page().querySelector(name);
      const metres = strip ? value(line, at) : null;
      const share = metres === null ? null : 100 * (strip.before + strip.touchdown + metres) / strip.length;
      mark.hidden = share === null || share < 0 || share > 100;
      if (share !== null) mark.style.left = share + "%";
    }
  }

  function tell(at) {
    const parts = [`${said(at, 1)} s`];
    const speed = value(table.speed, at);
    parts.push(speed === null ? "speed not known" : `${said(speed, 0)} kt`);
    const metres = table.distance && table.strip ? value(table.distance, at) : null;
    if (metres !== null && table.strip.runway) {
      const past = table.strip.touchdown + metres;
      parts.push(`${said(past, 0)} m past the threshold`, `${said(table.strip.runway - past, 0)} m left`);
    } else if (metres !== null) parts.push(`${said(metres, 0)} m from touchdown`);
    else if (table.exit !== null && at > table.exit) parts.push(table.off);
    const alike = new Map();
    for (const name of Object.keys(table.states).filter((each) => each.startsWith("reverser.")).sort()) {
      const found = state(name, at);
      const words = found.state !== undefined ? WORDS[found.state] : found.between ? "changing" : "not recorded";
      alike.set(words, (alike.get(words) || []).concat(name.slice(9)));
    }
    for (const [words, which] of alike) parts.push(`reverser${which.length > 1 ? "s" : ""} ${which.join(", ")} ${words}`);
    const spoilers = table.spoilers ? table.lines[table.spoilers] : null;
    const up = value(spoilers, at), ends = between(spoilers, at), pct = (x) => said(100 * clamp(x, 0, 1.5), 0);
    parts.push(up === null ? "spoilers not recorded" : ends ? `spoilers between ${pct(ends[0])} and ${pct(ends[1])}\u00a0%`
      : `spoilers ${pct(up)}\u00a0%`);
    document.getElementById("debrief-now").textContent = parts.join(" · ");
    const slider = document.getElementById("debrief-time");
    if (Number(slider.value) !== at) slider.value = at;
    put(slider, "aria-valuetext", `${said(at, 1)} seconds after touchdown`);
  }

  function show(at, from) {
    if (!table || !page()) return;
    now = clamp(at, table.start, table.end);
    aeroplane(now);
    runway(now);
    tell(now);
    more();
    if (from !== "traces") window.watchCursor(page().querySelector(".traces-frame"), now);
  }

  /* Beside the steps the traces scroll on their own: where some lie below, that is said. */
  const view = () => document.querySelector(".debrief-page .in-view");
  function more() {
    const held = view();
    if (held) held.classList.toggle("more", held.scrollHeight - held.clientHeight - held.scrollTop > 24);
  }
  document.addEventListener("scroll", more, true);
  window.addEventListener("resize", more);

  /* --- playing ------------------------------------------------------------------------------------------------- */
  const pace = () => Number((document.querySelector(".player input[name=pace]:checked") || {}).value || 1);

  function face() {
    const button = document.getElementById("debrief-play");
    if (!button) return;
    button.firstChild.textContent = playing ? "Pause " : "Play ";
    put(button, "aria-pressed", playing ? "true" : "false");
  }

  function stop() {
    if (playing) cancelAnimationFrame(playing);
    playing = 0;
    face();
  }

  /* Where motion is not wanted, time goes on in whole seconds. */
  function frame(at) {
    if (!playing || !page()) return stop();
    owing += (at - last) / 1000 * pace();
    last = at;
    const step = still.matches ? Math.floor(owing) : owing;
    if (step > 0) {
      owing -= step;
      show(now + step);
      if (now >= table.end) return stop();
    }
    playing = requestAnimationFrame(frame);
  }

  function play() {
    if (!table) return;
    if (playing) return stop();
    if (now >= table.end - 0.01) show(table.start);
    last = performance.now();
    owing = 0;
    playing = requestAnimationFrame(frame);
    face();
  }

  function sample(by) {
    stop();
    const i = before(stops, now + (by > 0 ? 1e-6 : -1e-6));
    show(by > 0 ? (stops[i + 1] === undefined ? table.end : stops[i + 1]) : (stops[i] === undefined ? table.start : stops[i]));
  }

  /* --- what the reader does ------------------------------------------------------------------------------------- */
  document.addEventListener("cursor", (e) => {
    if (!table || !page() || playing || !page().contains(e.target)) return;
    if (Math.abs(e.detail.seconds - now) > 1e-6) show(e.detail.seconds, "traces");
  });

  document.addEventListener("input", (e) => {
    if (e.target.id === "debrief-time") { stop(); show(Number(e.target.value)); }
  });

  document.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    if (!button || !page()) return;
    if (button.id === "debrief-play") play();
    if (button.id === "debrief-down") view().scrollTo({ top: view().scrollHeight, behavior: still.matches ? "auto" : "smooth" });
    if (button.dataset.at) { stop(); show(Number(button.dataset.at)); }
    if (button.dataset.sample) sample(Number(button.dataset.sample));
    if (button.dataset.debrief) write(button.dataset.debrief);
  });

  /* Before the traces see it: on this page arrows step by samples, also in the chart and on the slider. */
  document.addEventListener("keydown", (e) => {
    if (!page() || !table || e.ctrlKey || e.metaKey || e.altKey) return;
    const field = e.target.closest("select, textarea, input:not([type=range])");
    if (field && !(field.name === "pace" && e.key === " ")) return;
    const keys = document.getElementById("single-keys");
    const off = keys && !keys.checked;
    if (off && !e.key.startsWith("Arrow") && !(e.key === " " && e.target.id === "debrief-play")) return;
    if (e.key === " ") {
      if (e.target.closest("button, a, summary") && e.target.id !== "debrief-play") return;
      play();
    } else if (e.key === "ArrowRight" || e.key === "ArrowLeft") sample(e.key === "ArrowRight" ? 1 : -1);
    else {
      const step = table.steps.find((each) => String(each[0]) === e.key);
      if (!step) return;
      stop();
      show(step[1]);
    }
    e.preventDefault();
    e.stopImmediatePropagation();
  }, true);

  let lately = "";  // a second click is not a second note, but another act may follow at once
  function write(act) {
    const form = document.querySelector(".noting");
    if (!form) return;
    const note = form.elements.note.value.trim();
    const said = `${act} ${note}`;
    if (said === lately) return;
    lately = said;
    setTimeout(() => { if (lately === said) lately = ""; }, 400);
    window.watchServer.notSaved("");
    window.dash_clientside.set_props("debrief-ask", { data: { act, note, token: crypto.randomUUID() } });
  }

  window.addEventListener("unanswered", (e) => {
    if (!/^debrief-notes/.test(e.detail)) return;
    lately = "";
    window.watchServer.notSaved("What you wrote is kept. Do it again.");
  });
  window.addEventListener("beforeprint", stop);

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    debrief: {
      /* Which landing is laid over stands in the address, as its place among those that are offered. */
      beside: function (search, before, path) {
        if (!/^\/debrief\/./.test(path)) return window.dash_clientside.no_update;
        const chosen = new URLSearchParams(search || "").get("beside") || "";
        return chosen === before ? window.dash_clientside.no_update : chosen;
      },
      load: function (given) {
        stop();
        const first = !table || !given || JSON.stringify(given.steps) !== JSON.stringify(table.steps);
        table = given;
        if (!table) return "";
        const times = new Set(Object.values(table.lines).flatMap((line) => line.t));
        for (const stretches of Object.values(table.states)) for (const s of stretches) times.add(s[0]).add(s[1]);
        stops = Array.from(times).filter((t) => t >= table.start && t <= table.end).sort((a, b) => a - b);
        const slider = document.getElementById("debrief-time");
        put(slider, "min", table.start);
        put(slider, "max", table.end);
        show(first ? 0 : now);
        return "";
      },
    },
  });
})();
