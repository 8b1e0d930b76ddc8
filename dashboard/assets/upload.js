/* Files go up as they are, one request each, so that a large one passes; progress is the browser's own. */
(function () {
  "use strict";
  var MOST_AT_ONCE = 2, MOST_TABLE_BYTES = 200000, waiting = [], running = 0;

  function area() { return document.getElementById("drop-area"); }
  function list() { return document.getElementById("upload-list"); }

  function line(file) {
    var row = document.createElement("li"), name = document.createElement("span"),
        bar = document.createElement("progress"), says = document.createElement("span");
    name.textContent = file.name; name.className = "file";
    bar.max = 100; bar.value = 0; bar.setAttribute("aria-label", "sending " + file.name);
    says.className = "quiet"; says.textContent = "waiting";
    row.appendChild(name); row.appendChild(bar); row.appendChild(says);
    if (list()) { list().appendChild(row); }
    return { row: row, bar: bar, says: says };
  }

  function size(bytes) {
    return bytes > 1e6 ? (bytes / 1e6).toFixed(1) + " MB" : Math.ceil(bytes / 1e3) + " kB";
  }

  function next() {
    if (running >= MOST_AT_ONCE || !waiting.length) { return; }
    var item = waiting.shift(), request = new XMLHttpRequest();
    running += 1;
    request.open("POST", "/upload?name=" + encodeURIComponent(item.file.name));
    request.setRequestHeader("X-Bmslogs", "upload");
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.onprogress = function (e) {
      if (e.lengthComputable) {
        item.line.bar.value = 100 * e.loaded / e.total;
        item.line.says.textContent = size(e.loaded) + " of " + size(e.total);
      }
    };
    request.onload = function () {
      var answer = {};
      try { answer = JSON.parse(request.responseText); } catch (e) { answer = {}; }
      if (request.status === 200 && answer.token) {
        item.line.row.remove();
        window.dash_clientside.set_props("arrived", { data: answer.token });
      } else {
        item.line.row.className = "refused";
        item.line.says.textContent = "✕ " + (answer.error || "the file did not arrive (" + request.status + ")");
      }
    };
    request.onerror = function () {
      item.line.row.className = "refused";
      item.line.says.textContent = "✕ the connection broke off; drop the file again";
    };
    request.onloadend = function () { running -= 1; next(); };
    request.send(item.file);
    next();
  }

  function take(files) {
    Array.prototype.forEach.call(files, function (file) { waiting.push({ file: file, line: line(file) }); });
    next();
  }

  document.addEventListener("dragover", function (e) {
    if (area() && area().contains(e.target)) { e.preventDefault(); area().classList.add("over"); }
  });
  document.addEventListener("dragleave", function (e) {
    if (area() && !area().contains(e.relatedTarget)) { area().classList.remove("over"); }
  });
  document.addEventListener("drop", function (e) {
    if (area() && area().contains(e.target)) {
      e.preventDefault(); area().classList.remove("over"); take(e.dataTransfer.files);
    }
  });
  function choose(many, then) {
    var input = document.createElement("input");
    input.type = "file"; input.multiple = many;
    input.addEventListener("change", function () { then(input.files); });
    input.click();
  }

  // a small table is read here and put into the form; it goes nowhere until the pack is saved
  function table(files) {
    var file = files[0], put = function (text) {
      window.dash_clientside.set_props("ocv-file", { data: { name: file.name, text: text } });
    };
    if (file.size > MOST_TABLE_BYTES) { put(null); } else { file.text().then(put); }
  }

  document.addEventListener("click", function (e) {
    if (e.target && e.target.id === "drop-button") { choose(true, take); }
    if (e.target && e.target.id === "ocv-button") { choose(false, table); }
  });
}());
