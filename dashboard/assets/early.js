/* Before anything is painted: the theme the reader chose, if they chose one. */
(function () {
  var chosen = null;
  try { chosen = localStorage.getItem("theme"); } catch (e) { /* storage may be closed: follow the system */ }
  if (chosen === "dark" || chosen === "light") document.documentElement.dataset.theme = chosen;
})();
/* Where a chart will be drawn its library comes at once, beside the page, and runs once the page has been asked for: a
   browser that never ran it needs a second for that, in which the server works. Who needs it waits for window.Plotly,
   which is a promise until the library itself takes its place. */
(function () {
  var library = document.currentScript.dataset.charts;
  if (!library || !/^\/(landing\/.+|debrief\/.+)?$/.test(location.pathname)) return;
  var coming = document.createElement("link");
  coming.rel = "preload";
  coming.as = "script";
  coming.href = library;
  document.head.appendChild(coming);
  window.Plotly = new Promise(function (done, failed) {
    whenAsked(function () {
      var script = document.createElement("script");
      script.src = library;
      script.onload = function () { done(); };
      script.onerror = function () { window.Plotly = undefined; failed(new Error("the chart library did not load")); };
      document.head.appendChild(script);
    });
  });
  window.Plotly.catch(function () { /* told by the chart that waits for it */ });

  function whenAsked(run) {
    new MutationObserver(function (_changes, seen) {
      if (!document.getElementById("page")) return;
      seen.disconnect();
      requestIdleCallback(run, { timeout: 200 });
    }).observe(document, { childList: true, subtree: true });
  }
})();
