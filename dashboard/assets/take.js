/* Take away: the values that a plot shows in its window, the plot as a picture, and tables, made from what is shown. */
(function () {
  "use strict";

  // the shortest text that is this number again; figures hold single precision where the log does
  function number(value, single) {
    if (value === null || value === undefined || (typeof value === "number" && !isFinite(value))) { return ""; }
    if (typeof value !== "number" || !single) { return value; }
    for (var digits = 1; digits < 10; digits += 1) {
      var text = Number(value.toPrecision(digits));
      if (Math.fround(text) === value) { return text; }
    }
    return value;
  }

  function plain(text) {
    var box = document.createElement("div");
    box.innerHTML = String(text).replace(/<br\s*\/?>/g, " ").replace(/</g, "&lt;").replace(/&lt;(\/?[bi])>/g, "");
    return box.textContent.replace(/\s+/g, " ").trim();
  }

  function field(value) {
    var text = typeof value === "number" ? String(value) : String(value === undefined || value === null ? "" : value);
    text = text.replace(/\u2212(?=[.\d])/g, "-").replace(/±/g, "+-"); // programs read it
    // a spreadsheet takes such a text for a formula
    if (typeof value === "string" && /^[=+@\t]|^-(?![\d.])/.test(text)) { text = "'" + text; }
    return /[",\n\r]/.test(text) ? "\"" + text.replace(/"/g, "\"\"") + "\"" : text;
  }

  function csv(rows) { return rows.map(function (row) { return row.map(field).join(","); }).join("\r\n") + "\r\n"; }

  function axisOf(plot, key) { return plot._fullLayout[key.charAt(0) + "axis" + key.slice(1)]; }

  function titleOf(axis) { return axis && axis.title && axis.title.text ? plain(axis.title.text) : ""; }

  function within(axis, value) {
    if (!axis || !axis.range || axis.visible === false && axis.type === "linear" && value === undefined) { return true; }
    var at = axis.d2l ? axis.d2l(value) : value, a = axis.r2l(axis.range[0]), b = axis.r2l(axis.range[1]);
    var slack = 1e-9 * Math.abs(b - a);
    return at >= Math.min(a, b) - slack && at <= Math.max(a, b) + slack;
  }

  function pick(list, i) { return list && typeof list !== "string" && list.length > i ? list[i] : undefined; }

  function bars(error, value, i) {
    if (!error || !error.visible || typeof value !== "number") { return ["", ""]; }
    var up = pick(error.array, i), down = error.symmetric === false ? pick(error.arrayminus, i) : up;
    return [down === undefined ? "" : value - down, up === undefined ? "" : value + up];
  }

  function shownRows(plot) {
    var rows = [["line", "x", "y", "value", "low", "high", "text", "x axis", "y axis"]];
    plot._fullData.forEach(function (t) {
      if (t.visible !== true || (!t.x && !t.y)) { return; }
      var xa = axisOf(plot, t.xaxis || "x"), ya = axisOf(plot, t.yaxis || "y"), titles = [titleOf(xa), titleOf(ya)];
      var name = plain(t.name || ""), single = t.y instanceof Float32Array, singleX = t.x instanceof Float32Array;
      if (t.type === "heatmap") {
        t.z.forEach(function (line, r) {
          for (var c = 0; c < line.length; c += 1) {
            if (within(xa, t.x[c]) && within(ya, t.y[r])) {
              rows.push([name, t.x[c], number(t.y[r]), number(line[c], line instanceof Float32Array), "", "", "",
                titles[0], titles[1]]);
            }
          }
        });
        return;
      }
      var n = (t.y || t.x).length;
      for (var i = 0; i < n; i += 1) {
        var x = t.x ? t.x[i] : i, y = t.y ? t.y[i] : i;
        if (x === null || y === null || x === undefined || y === undefined || !within(xa, x) || !within(ya, y)) { continue; }
        if (typeof y === "number" && !isFinite(y)) { continue; }
        var text = pick(t.text, i) || pick(t.hovertext, i) || "";
        var ends = t.orientation === "h" ? bars(t.error_x, x, i) : bars(t.error_y, y, i);
        rows.push([name, number(x, singleX), number(y, single), "", ends[0], ends[1], plain(text), titles[0], titles[1]]);
      }
    });
    return rows;
  }

  function fileName(label, ending) {
    var pack = new URLSearchParams(window.location.search).get("pack") || "";
    var text = (pack + " " + label).toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-+|-+$/g, "");
    return (text.slice(0, 80) || "bmslogs") + "." + ending;
  }

  function save(text, name) {
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff" + text], {type: "text/csv;charset=utf-8"}));
    link.download = name;
    document.body.appendChild(link);
    link.click();
    link.remove();
    window.setTimeout(function () { URL.revokeObjectURL(link.href); }, 10000);
  }

  function takePlot(button) {
    var figure = button.closest(".figure"), plot = figure && figure.querySelector(".js-plotly-plot");
    if (!plot || !plot._fullData) { return; }
    var kind = button.dataset.take, label = button.dataset.name || "plot";
    if (kind === "csv") { save(csv(shownRows(plot)), fileName(label, "csv")); return; }
    var box = plot.getBoundingClientRect();
    window.Plotly.downloadImage(plot, {
      format: kind, filename: fileName(label, kind).replace(/\.\w+$/, ""), width: Math.max(900, Math.round(box.width)),
      height: Math.round(box.height), scale: kind === "png" ? 2 : 1
    });
  }

  // text of a cell as it is read: what stands on lines of its own is parted
  function words(node) {
    var out = "";
    node.childNodes.forEach(function (child) {
      if (child.nodeType === 3) { out += child.textContent; return; }
      if (child.nodeType !== 1 || child.matches("script, style, svg, input, button")) { return; }
      var apart = /^(BR|SMALL|DIV|LI|P|DETAILS)$/.test(child.tagName), inner = words(child);
      out += apart && out.trim() && inner ? "; " + inner : inner;
    });
    return out.replace(/\s+/g, " ").trim() === "" ? "" : out.replace(/\s+/g, " ");
  }

  function tableRows(table) {
    return Array.prototype.map.call(table.rows, function (row) {
      return Array.prototype.map.call(row.cells, function (cell) { return words(cell).trim(); });
    });
  }

  function heading(element) {
    var label = element.getAttribute("aria-label") || (element.caption && element.caption.textContent);
    var region = element.closest("[role=region][aria-label]");
    if (label || region) { return label || region.getAttribute("aria-label"); }
    var all = document.querySelectorAll("#page-content h1, #page-content h2, #page-content h3, #page-content summary");
    var last = "table";
    all.forEach(function (h) {
      if (h.compareDocumentPosition(element) & Node.DOCUMENT_POSITION_FOLLOWING && h.textContent.trim()
          && !h.closest(".take")) { last = h.textContent.trim(); }
    });
    return last;
  }

  function tables() {
    var found = Array.prototype.map.call(document.querySelectorAll("#page-content table"), function (t) {
      return {label: heading(t), rows: t.rows.length, text: function () { return csv(tableRows(t)); }};
    });
    document.querySelectorAll("#page-content .ag-root-wrapper").forEach(function (grid) {
      var owner = grid.closest("[id]:not([class*='ag-'])"), api = null;
      try { api = window.dash_ag_grid.getApi(owner.id); } catch (_e) { api = null; }
      if (api) {
        found.push({label: heading(grid), rows: api.getDisplayedRowCount() + 1,
          text: function () { return api.getDataAsCsv(); }});
      }
    });
    return found.filter(function (t) { return t.rows > 1; });
  }

  function list() {
    var box = document.getElementById("take-list");
    if (!box) { return; }
    var used = {};
    box.replaceChildren.apply(box, tables().map(function (t) {
      var button = document.createElement("button"), label = t.label.slice(0, 60);
      used[label] = (used[label] || 0) + 1;
      if (used[label] > 1) { label += " " + used[label]; }
      button.type = "button";
      button.className = "button";
      button.textContent = label;
      button.addEventListener("click", function () { save(t.text(), fileName(label, "csv")); });
      return button;
    }));
  }

  document.addEventListener("click", function (event) {
    var button = event.target.closest && event.target.closest("[data-take]");
    if (button) { takePlot(button); }
  });
  document.addEventListener("toggle", function (event) {
    if (event.target.id === "take-tables" && event.target.open) { list(); }
  }, true);

  var waiting = false;
  function look() {
    waiting = false;
    var box = document.getElementById("take-tables");
    if (box) {
      var none = !document.querySelector("#page-content table, #page-content .ag-root-wrapper");
      if (box.hidden !== none) { box.hidden = none; }
      if (none && box.open) { box.open = false; }
      if (box.open && box.dataset.at !== window.location.pathname) { box.open = false; }
      box.dataset.at = window.location.pathname;
    }
  }
  new MutationObserver(function () {
    if (!waiting) { waiting = true; window.setTimeout(look, 300); }
  }).observe(document.documentElement, {childList: true, subtree: true});
  window.bmslogsTake = {shownRows: shownRows};
}());
