/* Before anything is painted: the theme the reader chose, if they chose one. */
(function () {
  var chosen = null;
  try { chosen = localStorage.getItem("theme"); } catch (e) { /* storage may be closed: follow the system */ }
  if (chosen === "dark" || chosen === "light") document.documentElement.dataset.theme = chosen;
})();
