(function () {
  "use strict";
  var charts = JSON.parse(document.getElementById("charts").textContent);
  var places = Array.prototype.slice.call(document.querySelectorAll("[data-chart]"));
  function failed(error) { document.body.setAttribute("data-failed", String(error)); }
  Promise.all(places.map(function (place) {
    return vegaEmbed(place, charts[place.getAttribute("data-chart")], { ast: true, actions: false, renderer: "svg" });
  })).then(function () { document.body.setAttribute("data-drawn", String(places.length)); }, failed);

  function value(row, at) {
    var text = row.cells[at].getAttribute("data-v");
    return text === "" ? null : isNaN(Number(text)) ? text : Number(text);
  }
  function compare(a, b) {
    if (a === null || b === null) return a === b ? 0 : a === null ? 1 : -1;
    if (typeof a === "number" && typeof b === "number") return a - b;
    return String(a).localeCompare(String(b));
  }
  document.querySelectorAll("table[id]").forEach(function (table) {
    Array.prototype.forEach.call(table.tHead.rows[0].cells, function (head, at) {
      head.addEventListener("click", function () {
        var down = head.getAttribute("aria-sort") === "ascending";
        Array.prototype.forEach.call(table.tHead.rows[0].cells, function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        var rows = Array.prototype.slice.call(table.tBodies[0].rows);
        rows.sort(function (r, s) {
          var a = value(r, at), b = value(s, at);
          return a === null || b === null ? compare(a, b) : (down ? -1 : 1) * compare(a, b);
        });
        rows.forEach(function (row) { table.tBodies[0].appendChild(row); });
      });
    });
  });
  document.querySelectorAll("[data-find]").forEach(function (box) {
    var table = document.getElementById(box.getAttribute("data-find"));
    box.addEventListener("input", function () {
      var sought = box.value.toLowerCase();
      Array.prototype.forEach.call(table.tBodies[0].rows, function (row) {
        row.hidden = row.textContent.toLowerCase().indexOf(sought) < 0;
      });
    });
  });
})();
