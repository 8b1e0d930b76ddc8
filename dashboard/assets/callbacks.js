/* What the browser does by itself: colours, links that carry the view, zoom to address. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  bmslogs: {
    // colour scheme: what was chosen before, else what the machine prefers; the button turns it over
    scheme: function (clicks, held) {
      var now = held || (window.matchMedia && window.matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");
      if (window.dash_clientside.callback_context.triggered.some(function (t) {
        return t.prop_id.indexOf("scheme-button") === 0 && t.value; })) {
        now = now === "dark" ? "light" : "dark";
      }
      document.documentElement.setAttribute("data-scheme", now);
      return [now, now, now === "dark" ? "Light" : "Dark"];
    },
    // every page's link carries pack, log and picks along
    links: function (search, path, ids) {
      var keep = ["pack", "log", "cells", "module", "joint", "quantity", "whole"];
      var given = new URLSearchParams(search || "");
      var out = [];
      keep.forEach(function (k) { if (given.get(k)) { out.push(k + "=" + encodeURIComponent(given.get(k)).replace(/%2C/g, ",")); } });
      var query = out.length ? "?" + out.join("&") : "";
      return [
        ids.map(function (id) { return id.nav + query; }),
        ids.map(function (id) { return id.nav === path ? "page-link here" : "page-link"; })
      ];
    },
    // a zoom on the log becomes a window in the address; times on the axis are UTC
    zoom: function (layout, search) {
      var no = window.dash_clientside.no_update;
      if (!layout) { return no; }
      var given = new URLSearchParams(search || "");
      var key = Object.keys(layout).filter(function (k) { return /^xaxis\d*\.range\[0\]$/.test(k); })[0];
      if (key) {
        var utc = function (text) {
          // without a Z behind it, a browser reads a time as of its own zone
          var plain = String(text).replace(" ", "T").slice(0, 23);
          if (plain.length === 10) { plain += "T00:00"; }
          return new Date(plain + "Z").toISOString();
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
