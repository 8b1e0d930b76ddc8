/* On paper a figure is as wide as the paper: 180 mm of A4 or Letter, at 96 px an inch. */
(function () {
  "use strict";
  var PAPER = 680;
  function plots() { return document.querySelectorAll("main .js-plotly-plot"); }
  function resize(width) {
    if (!window.Plotly) { return; }
    plots().forEach(function (plot) {
      window.Plotly.relayout(plot, width ? { width: width, autosize: false } : { width: null, autosize: true });
    });
  }
  window.addEventListener("beforeprint", function () { resize(PAPER); });
  window.addEventListener("afterprint", function () { resize(0); });
}());
