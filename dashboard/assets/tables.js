/* Tables that turn to cards on a phone: each value is told the name of its column. */
(function () {
  "use strict";
  function name(table) {
    var heads = Array.prototype.map.call(table.tHead.rows[0].cells, function (c) { return c.textContent.trim(); });
    table.classList.add("stacked");
    Array.prototype.forEach.call(table.tBodies, function (body) {
      Array.prototype.forEach.call(body.rows, function (row) {
        Array.prototype.forEach.call(row.cells, function (cell, n) {
          if (n && !cell.hasAttribute("data-label") && heads[n]) { cell.setAttribute("data-label", heads[n]); }
        });
      });
    });
  }
  function all() {
    document.querySelectorAll("#page-content table").forEach(function (t) { if (t.tHead && t.tHead.rows.length) { name(t); } });
  }
  var soon = 0;
  new MutationObserver(function () { window.clearTimeout(soon); soon = window.setTimeout(all, 60); })
    .observe(document.documentElement, { childList: true, subtree: true });
}());
