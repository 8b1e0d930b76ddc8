/* What prints: figures as wide as the paper (180 mm of A4 or Letter, at 96 px an inch), the record as long as it is. */
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
  /* The record is shown as long as it is: a sheet that scrolls within a page that scrolls is lost on a phone. It lies
     behind a wall of its own, so it tells its length. */
  window.addEventListener("message", function (event) {
    var sheet = document.getElementById("record-sheet"), long = event.data && event.data.sheet;
    if (sheet && event.source === sheet.contentWindow && long > 0 && long < 1e5) { sheet.style.height = long + "px"; }
  });
  window.addEventListener("beforeprint", function () { resize(PAPER); });
  window.addEventListener("afterprint", function () { resize(0); });
}());
