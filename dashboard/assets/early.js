/* Before anything is painted: the theme the reader chose, if they chose one. */
(function () {
  var chosen = null;
  try { chosen = localStorage.getItem("theme"); } catch (e) { /* storage may be closed: follow the system */ }
  if (chosen === "dark" || chosen === "light") document.documentElement.dataset.theme = chosen;
})();
/* Where a chart will be drawn its library comes at once, beside the page. Who needs it waits for window.Plotly, which is
   a promise until the library itself takes its place. */
(function () {
  if (!/^\/(landing\/.+|debrief\/.+)?$/.test(location.pathname)) return;
  window.Plotly = new Promise(function (done, failed) {
    var script = document.createElement("script");
    script.src = "/_dash-component-suites/plotly/package_data/plotly.min.js";
    script.async = true;
    script.onload = function () { done(); };
    script.onerror = function () { window.Plotly = undefined; failed(new Error("the chart library did not load")); };
    document.head.appendChild(script);
  });
  window.Plotly.catch(function () { /* told by the chart that waits for it */ });
})();
