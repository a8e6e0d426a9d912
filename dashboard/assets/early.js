/* Before anything is painted: the theme the reader chose, if they chose one. */
(function () {
  var chosen = null;
  try { chosen = localStorage.getItem("theme"); } catch (e) { /* storage may be closed: follow the system */ }
  if (chosen === "dark" || chosen === "light") document.documentElement.dataset.theme = chosen;
})();
/* Who logged out leaves nothing written; who has to log in again, to go on to where they were, does. */
if (location.pathname === "/login" && !location.search) {
  try { sessionStorage.removeItem("drafts"); } catch (e) { /* nothing was kept */ }
}
/* Where a chart will be drawn its library comes at once, beside the page, and runs when the first figure is there: a
   browser that never ran it stands still for a second, in which nothing else is shown. Who needs it waits for
   window.Plotly, which is a promise until the library itself takes its place. */
(function () {
  var library = document.currentScript.dataset.charts;
  if (!library || !/^\/(landing\/.+|debrief\/.+)?$/.test(location.pathname)) return;
  var coming = document.createElement("link");
  coming.rel = "preload";
  coming.as = "script";
  coming.href = library;
  document.head.appendChild(coming);
  window.Plotly = new Promise(function (done, failed) {
    window.watchCharts = function () {
      window.watchCharts = null;
      requestIdleCallback(function () {
        var script = document.createElement("script");
        script.src = library;
        script.onload = function () { done(); };
        script.onerror = function () { window.Plotly = undefined; failed(new Error("the chart library did not load")); };
        document.head.appendChild(script);
      }, { timeout: 200 });
    };
  });
  window.Plotly.catch(function () { /* told by the chart that waits for it */ });
})();
