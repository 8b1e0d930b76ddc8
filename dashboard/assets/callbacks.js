/* What the browser does by itself: colours, links that carry the view, zoom to address. */
/* How much room a picture has: on phones and tablets it is drawn anew with its legend below it. */
window.bmslogsRoom = (function () {
  "use strict";
  var phone = window.matchMedia("(max-width: 560px)"), tablet = window.matchMedia("(max-width: 1080px)");
  function now() { return phone.matches ? " 340" : tablet.matches ? " 720" : ""; }
  function turned() {
    var scheme = document.documentElement.getAttribute("data-scheme");
    if (scheme && window.dash_clientside.set_props) { window.dash_clientside.set_props("scheme", { data: scheme + now() }); }
  }
  phone.addEventListener("change", turned);
  tablet.addEventListener("change", turned);
  // the row of pages slides on small screens: the page that is open is in sight
  function here() {
    var row = document.querySelector("nav"), link = document.querySelector("nav .here");
    if (row && link) { row.scrollLeft = link.offsetLeft - row.offsetLeft - (row.clientWidth - link.offsetWidth) / 2; }
  }
  return { now: now, here: here };
}());
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  bmslogs: {
    // colour scheme: what was chosen before, else what the machine prefers; the button turns it over
    scheme: function (clicks, held) {
      var now = (held || "").split(" ")[0] || (window.matchMedia && window.matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");
      if (window.dash_clientside.callback_context.triggered.some(function (t) {
        return t.prop_id.indexOf("scheme-button") === 0 && t.value; })) {
        now = now === "dark" ? "light" : "dark";
      }
      document.documentElement.setAttribute("data-scheme", now);
      return [now + window.bmslogsRoom.now(), now, now === "dark" ? "Light" : "Dark"];
    },
    // every page's link carries pack, log and picks along
    links: function (search, path, ids) {
      var keep = ["pack", "log", "cells", "module", "joint", "quantity", "whole"];
      var given = new URLSearchParams(search || "");
      var out = [];
      keep.forEach(function (k) { if (given.get(k)) { out.push(k + "=" + encodeURIComponent(given.get(k)).replace(/%2C/g, ",")); } });
      window.setTimeout(window.bmslogsRoom.here, 0);
      var query = out.length ? "?" + out.join("&") : "";
      return [
        ids.map(function (id) { return id.nav + query; }),
        ids.map(function (id) { return id.nav === path ? "page-link here" : "page-link"; })
      ];
    },
    // a zoom on the log becomes a window in the address; times on the axis are by the workshop's clock
    zoom: function (layout, search) {
      var no = window.dash_clientside.no_update;
      if (!layout) { return no; }
      var given = new URLSearchParams(search || "");
      var key = Object.keys(layout).filter(function (k) { return /^xaxis\d*\.range\[0\]$/.test(k); })[0];
      if (key) {
        var plot = document.querySelector("#log-figure .js-plotly-plot, #history-figure .js-plotly-plot");
        var shift = plot && plot.layout && plot.layout.meta && plot.layout.meta.shift_min || 0;
        var utc = function (text) {
          // without a Z behind it, a browser reads a time as of its own zone
          var plain = String(text).replace(" ", "T").slice(0, 23);
          if (plain.length === 10) { plain += "T00:00"; }
          return new Date(new Date(plain + "Z").getTime() - 60000 * shift).toISOString();
        };
        given.set("start", utc(layout[key]));
        given.set("end", utc(layout[key.replace("[0]", "[1]")]));
      } else if (Object.keys(layout).some(function (k) { return /autorange$/.test(k); })) {
        given.delete("start"); given.delete("end"); given.delete("sight");
      } else { return no; }
      var out = "?" + given.toString().replace(/%2C/g, ",").replace(/%3A/g, ":");
      return out === search ? no : out;
    },
    print: function (clicks) { if (clicks) { window.print(); } return window.dash_clientside.no_update; }
  }
});
