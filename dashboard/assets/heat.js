/* The strip of deviations answers pointer, tap and keyboard: one line under the figure says what lies there. */
(function () {
  "use strict";
  var at = {row: 0, column: 0};

  function parts() {
    var box = document.getElementById("log-figure"), plot = box && box.querySelector(".js-plotly-plot");
    var number = -1;
    if (plot && plot.data) {
      plot.data.forEach(function (t, i) { if (t.type === "heatmap" && t.name === "deviation") { number = i; } });
    }
    return number < 0 ? null : {box: box, plot: plot, number: number, trace: plot._fullData[number]};
  }

  function rows(trace) { return trace.z.length; }

  function columns(trace) { return trace.z[0] ? trace.z[0].length : 0; }

  function say(trace, row, column) {
    var out = document.getElementById("log-reading");
    if (!out || row < 0 || column < 0) { return; }
    var value = trace.z[row][column], time = String(trace.x[column]).replace("T", " ");
    var told = value === null || value === undefined || isNaN(value) ? "no reading" :
      (value > 0 ? "+" : "−") + Math.abs(value).toFixed(1) + " mV from the median of all";
    out.textContent = "Cell " + trace.y[row] + ", " + time + ": " + told;
  }

  function nearest(list, value) {
    var best = 0;
    for (var i = 1; i < list.length; i++) { if (Math.abs(list[i] - value) < Math.abs(list[best] - value)) { best = i; } }
    return best;
  }

  function listen() {
    var p = parts();
    if (!p || p.plot.dataset.heat) { return; }
    p.plot.dataset.heat = "1";
    ["plotly_hover", "plotly_click"].forEach(function (kind) {
      p.plot.on(kind, function (event) {
        var now = parts();
        (event.points || []).forEach(function (point) {
          if (now && point.curveNumber === now.number) {
            at.row = nearest(now.trace.y, point.y);
            at.column = Array.isArray(point.pointNumber) ? point.pointNumber[1] : point.pointNumber;
            if (Array.isArray(point.pointIndex)) { at.column = point.pointIndex[1]; }
            say(now.trace, at.row, at.column);
          }
        });
      });
    });
    var strip = document.getElementById("log-strip");
    if (strip && !strip.dataset.heat) {
      strip.dataset.heat = "1";
      strip.addEventListener("keydown", move);
      strip.addEventListener("focus", function () { show(0, 0); });
    }
  }

  function show(down, right) {
    var p = parts();
    if (!p) { return; }
    at.row = Math.max(0, Math.min(rows(p.trace) - 1, at.row + down));
    at.column = Math.max(0, Math.min(columns(p.trace) - 1, at.column + right));
    say(p.trace, at.row, at.column);
    var axis = (p.trace.xaxis || "x") + (p.trace.yaxis || "y");
    try {
      window.Plotly.Fx.hover(p.plot, {
        xval: p.plot._fullLayout[p.trace.xaxis.replace("x", "xaxis")].d2c(p.trace.x[at.column]), yval: p.trace.y[at.row]
      }, axis);
    } catch (_e) { /* the line under the figure says it all the same */ }
  }

  function move(event) {
    var p = parts(), far = p ? Math.max(1, Math.round(columns(p.trace) / 20)) : 1;
    var moves = {ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1], PageUp: [0, -far],
      PageDown: [0, far], Home: [0, -1e9], End: [0, 1e9]};
    if (moves[event.key]) {
      event.preventDefault();
      show(moves[event.key][0], moves[event.key][1]);
    } else if (p && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      p.plot.emit("plotly_click", {points: [{
        curveNumber: p.number, pointNumber: [at.row, at.column], x: p.trace.x[at.column], y: p.trace.y[at.row],
        z: p.trace.z[at.row][at.column], data: p.plot.data[p.number], fullData: p.trace
      }]});
    }
  }

  var waiting = false;
  new MutationObserver(function () {
    if (!waiting) {
      waiting = true;
      window.setTimeout(function () { waiting = false; listen(); }, 250);
    }
  }).observe(document.documentElement, {childList: true, subtree: true});
}());
