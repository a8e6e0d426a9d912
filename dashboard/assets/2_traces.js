/* The cursor through all panels of a trace chart, and the values read beside them. */
(function () {
  "use strict";
  window.watchTraces = function () {
    for (const frame of document.querySelectorAll(".traces-frame")) {
      const chart = frame.querySelector(".js-plotly-plot");
      const drawn = Boolean(chart && chart._fullLayout && chart._fullLayout.meta);
      frame.classList.toggle("empty", !drawn);
      if (!drawn) continue;
      if (!frame.dataset.watched) watch(frame);
      const key = JSON.stringify(chart._fullLayout.meta);
      if (frame.dataset.meta !== key) {
        frame.dataset.meta = key;
        put(frame, chart._fullLayout.meta.cursor);
      }
      if (!chart.dataset.watched && chart.on) {
        chart.dataset.watched = "yes";
        chart.on("plotly_afterplot", () => put(frame, Number(frame.dataset.cursor)));
      }
    }
  };

  const chartOf = (frame) => frame.querySelector(".js-plotly-plot");

  function watch(frame) {
    frame.dataset.watched = "yes";
    frame.addEventListener("mousemove", (e) => {
      const axis = chartOf(frame) && chartOf(frame)._fullLayout.xaxis;
      if (!axis) return;
      const px = e.clientX - chartOf(frame).getBoundingClientRect().left - axis._offset;
      if (px >= 0 && px <= axis._length) put(frame, axis.p2c(px));
    });
    frame.addEventListener("keydown", (e) => {
      const meta = chartOf(frame) && chartOf(frame)._fullLayout.meta;
      if (!meta) return;
      const at = Number(frame.dataset.cursor);
      const step = e.shiftKey ? 1 : 0.25;
      if (e.key === "ArrowRight" || e.key === "ArrowLeft") {
        const seconds = time(meta, at) + (e.key === "ArrowRight" ? step : -step);
        put(frame, unit(meta, seconds));
      } else if (meta.steps[e.key] !== undefined) put(frame, meta.steps[e.key]);
      else return;
      e.preventDefault();
      e.stopPropagation();
    });
  }

  /* Puts the cursor of a chart at a time, in seconds after touchdown. */
  window.watchCursor = function (frame, seconds) {
    const chart = frame && chartOf(frame);
    const meta = chart && chart._fullLayout && chart._fullLayout.meta;
    if (meta) put(frame, unit(meta, seconds));
  };

  const time = (meta, u) => (meta.knee === null || u <= meta.knee ? u : meta.knee + (u - meta.knee) * meta.faster);
  const unit = (meta, t) => (meta.knee === null || t <= meta.knee ? t : meta.knee + (t - meta.knee) / meta.faster);

  function put(frame, u) {
    const chart = chartOf(frame);
    const axis = chart._fullLayout.xaxis;
    const meta = chart._fullLayout.meta;
    if (!meta) return;
    const at = Math.min(Math.max(u, axis.range[0]), axis.range[1]);
    frame.dataset.cursor = at;
    const line = frame.querySelector(".cursor");
    line.style.left = axis._offset + axis.c2p(at) + "px";
    const margin = chart._fullLayout.margin;
    line.style.top = margin.t - 8 + "px";
    line.style.height = chart._fullLayout.height - margin.t - margin.b + 8 + "px";
    const seconds = time(meta, at).toFixed(1).replace("-", "−");
    const said = [["at", Math.max(margin.t - 16, 8), `at ${seconds} s`], ...meta.readouts.map((r) => ["", r.top, read(chart, r.panel, at)])];
    frame.querySelector(".readouts").replaceChildren(...said.map(([kind, top, text]) => {
      const span = document.createElement("span");
      span.className = kind;
      span.style.top = top + "px";
      span.textContent = text;
      return span;
    }));
    frame.dispatchEvent(new CustomEvent("cursor", { detail: { seconds: time(meta, at) }, bubbles: true }));
  }

  function read(chart, panel, u) {
    const said = [];
    let unitWords = "", ribbon = false, known = false;
    for (const trace of chart.data) {
      if (!trace.meta || trace.meta.panel !== panel) continue;
      if (trace.meta.words) {
        ribbon = true;
        const i = trace.base.findIndex((from, k) => u >= from && u <= from + trace.x[k]);
        if (i >= 0) said.push(trace.meta.words[i]);
      } else {
        const value = at(trace, u), ends = trace.meta.apart ? between(trace, u) : null;
        known = known || value !== null;
        said.push(ends && ends[1] - ends[0] > trace.meta.apart ? `${number(ends[0], "%")}–${number(ends[1], "%")}` : number(value, trace.meta.unit));
        unitWords = trace.meta.unit;
      }
    }
    if (ribbon) return said.length ? said[said.length - 1] : "not recorded";
    if (!known) return "not known";
    return said.join(", ") + (unitWords === "deg" ? "°" : unitWords ? " " + unitWords : "");
  }

  function next(trace, u) {
    let low = 0, high = trace.x.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (trace.x[mid] <= u) low = mid + 1; else high = mid;
    }
    return low;
  }

  /* The samples on either side of a time, the lower first; null at a sample, in a hole and beyond the ends. */
  function between(trace, u) {
    const low = next(trace, u), ends = [trace.y[low - 1], trace.y[low]];
    if (at(trace, u) === null || trace.x[low - 1] === u) return null;
    return ends.sort((a, b) => a - b);
  }

  /* The value of the line as it is drawn: straight between two samples, nothing across a hole or beyond its ends. */
  function at(trace, u) {
    const low = next(trace, u), i = low - 1, from = trace.y[i], to = trace.y[low];
    if (from === undefined || from === null || trace.x[i] === u) return from === undefined ? null : from;
    if (to === undefined || to === null) return null;
    return from + (to - from) * (u - trace.x[i]) / (trace.x[low] - trace.x[i]);
  }

  const DIGITS = { g: 2, "": 2, deg: 1 };
  function number(value, unit) {
    if (value === null || value === undefined) return "–";
    const digits = DIGITS[unit] || 0;
    const said = value.toLocaleString("en-GB", { minimumFractionDigits: digits, maximumFractionDigits: digits });
    return said.replace(/^-(?=[0.]*$)/, "").replace("-", "−"); // a little below nothing reads as nothing
  }

  /* Paper is white: charts go back to their light colours and to the width of a page while printing. */
  const PAPER = (layout, holder) => {
    const most = holder.closest(".debrief-page") ? 580 : holder.closest(".reading") ? 420 : 920;
    return { width: 680, height: Math.min(layout.height, most), autosize: false };
  };
  const shown = new Map();
  function toPaper() {
    for (const chart of document.querySelectorAll(".js-plotly-plot")) {
      const holder = chart.closest("[id]");
      const figure = window.watchLight[holder && holder.id];
      if (!figure || shown.has(chart)) continue;
      shown.set(chart, { data: chart.data, layout: Object.assign({}, chart.layout) });
      window.Plotly.react(chart, figure.data, Object.assign({}, figure.layout, PAPER(figure.layout, holder)));
    }
  }
  function toScreen() {
    for (const [chart, was] of shown) window.Plotly.react(chart, was.data, was.layout);
    shown.clear();
  }
  window.addEventListener("beforeprint", toPaper);
  window.addEventListener("afterprint", toScreen);
})();
