/* Pages follow what was changed elsewhere; what is being typed is never taken away; the keyboard stays where it was. */
(function () {
  "use strict";
  var EVERY_MS = 4000, known = null, typed = false, held = null, opened = null, asking = false;
  // pages whose own work would be lost by laying them out anew say only that there is something new
  var STAY = ["/describe", "/bring", "/record", "/handbook"];
  var channel = window.BroadcastChannel ? new BroadcastChannel("bmslogs-order") : null;

  function content() { return document.getElementById("page-content"); }

  function news(there) {
    var box = document.getElementById("order-news");
    if (box) { box.hidden = !there; }
  }

  function lay() {
    typed = false;
    news(false);
    window.dash_clientside.set_props("revision", { data: Date.now() });
  }

  function heard(state) {
    if (!state || state === known) { return; }
    var first = known === null;
    known = state;
    if (first) { return; }
    if (typed) { news(true); }
    else if (STAY.indexOf(window.location.pathname) < 0) { lay(); }
    else if (window.location.pathname === "/describe") { news(true); }
  }

  function ask() {
    if (document.hidden || asking) { return; }
    asking = true;
    fetch("/store-state", { credentials: "same-origin", cache: "no-store" })
      .then(function (answer) { return answer.ok ? answer.json() : {}; })
      .then(function (answer) { heard(answer.state); })
      .catch(function () { /* the server is away; the next turn asks again */ })
      .then(function () { asking = false; });
  }

  // after a page was laid out: a form that was opened gets the keyboard; else it stays where it was, and where that is
  // gone, as with a row that was removed, the undoing is next
  function focus() {
    var now = document.activeElement, lost = !now || now === document.body || !document.contains(now);
    var form = content().querySelector(".focus-first input, .focus-first textarea, input.focus-first, textarea.focus-first");
    if (form && opened !== window.location.search) { opened = window.location.search; form.focus(); return; }
    if (!form) { opened = null; }
    if (!lost) { return; }
    var same = (held && document.getElementById(held)) || document.querySelector("#order-said .button");
    if (same) { same.focus({ preventScroll: true }); }
  }

  function watch() {
    if (!content()) { window.setTimeout(watch, 50); return; }
    content().addEventListener("input", function (e) {
      if (!/^(logbook-find|handbook-find|order-name)$/.test(e.target.id)) { typed = true; }
    });
    content().addEventListener("click", function (e) {
      if (e.target.closest("#order-form [role=option], .form [role=option]")) { typed = true; }
    });
    content().addEventListener("focusin", function (e) { held = e.target.id || null; });
    document.addEventListener("click", function (e) {
      if (e.target.id === "order-close") { window.dash_clientside.set_props("order-said", { children: [] }); }
    });
    window.setInterval(ask, EVERY_MS);
    window.addEventListener("focus", ask);
    document.addEventListener("visibilitychange", ask);
    if (channel) { channel.onmessage = ask; }
    ask();
  }
  watch();

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    bmslogs_order: {
      // the state that this page shows after its own action; others of this browser are told at once
      known: function (state) {
        if (state) {
          known = state;
          if (channel) { channel.postMessage(state); }
        }
        return true;
      },
      laid: function () {
        typed = false;
        if (content()) { window.setTimeout(focus, 60); }
        return true;
      },
      show: function (clicks) {
        if (!clicks) { return window.dash_clientside.no_update; }
        typed = false;
        return Date.now();
      },
      close: function () { return []; },
      name: function (value) { return value || ""; }
    }
  });
})();
