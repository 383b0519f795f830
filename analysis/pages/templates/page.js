(function () {
  "use strict";
  var charts = JSON.parse(document.getElementById("charts").textContent);
  var places = Array.prototype.slice.call(document.querySelectorAll("[data-chart]"));
  document.documentElement.classList.add("js");
  function failed(error) { document.body.setAttribute("data-failed", String(error)); }
  function drawn(place, spec) {
    // On a board a selection may be empty: a scale without values is no fault there, so only errors are logged.
    return vegaEmbed(place, spec, { ast: true, actions: false, renderer: "svg", logLevel: place.id === "board" ? 1 : 2 });
  }
  function parts(spec) { return spec.concat || spec.hconcat || spec.vconcat || spec.layer || []; }
  function widest(spec) {
    return Math.max.apply(null, [spec.width || 0].concat(parts(spec).map(widest)));
  }
  function narrowed(spec, most) {
    if (typeof spec.width === "number") spec.width = Math.max(110, Math.min(spec.width, most));
    if (spec.name === "sentence") spec.mark.limit = most;  // the page has the sentence in its own words
    parts(spec).forEach(function (part) { narrowed(part, most); });
  }
  function labelled(spec) {
    var y = spec.encoding && spec.encoding.y;
    if (y && y.axis && y.axis.labels === false) delete y.axis.labels;
    parts(spec).forEach(labelled);
  }
  // The expression that breaks a text into lines, each with its end.
  function inLines(text, most) { return "replace(" + text + ", regexp('(.{1," + most + "})( |$)', 'g'), '$1\\n')"; }
  // On a narrow screen titles and words are set in lines, and months that have no room are left out.
  function wrapped(spec, room) {
    var title = spec.title, most = Math.floor(room / 7.6);
    (spec.params || []).forEach(function (one) { if (one.name === "letters") one.value = Math.floor(room / 6.4); });
    function lines(text) {
      return [].concat(text).join(" ").split(" ").reduce(function (all, word) {
        var last = all[all.length - 1];
        if (last !== undefined && (last + " " + word).length <= most) all[all.length - 1] = last + " " + word;
        else all.push(word);
        return all;
      }, []);
    }
    if (typeof title === "string" || Array.isArray(title)) spec.title = lines(title);
    else if (title && title.text) {
      if (title.text.expr) {
        spec.whole = spec.whole || title.text.expr;
        title.text.expr = "split(slice(" + inLines(spec.whole, most) + ", 0, -1), '\\n')";
      }
      else title.text = lines(title.text);
      if (title.subtitle) title.subtitle = lines(title.subtitle);
    }
    if (spec.mark && spec.mark.style === "workshops") spec.mark.angle = -30;
    if (spec.mark && spec.mark.style === "words" && !spec.taller) { spec.taller = true; spec.height *= 2.5; }
    var x = spec.encoding && spec.encoding.x;
    if (x && x.axis && x.axis.labelExpr) x.axis.labelOverlap = "greedy";
    if (x && x.axis && x.axis.labelAngle) x.axis.labelAngle = -90;
    parts(spec).forEach(function (part) { wrapped(part, room); });
  }
  // Long names are set in lines too, in rows that have room for two; whether the chart has any.
  function namesInLines(spec) {
    var axis = spec.encoding && spec.encoding.y && spec.encoding.y.axis, long = Boolean(axis && axis.labelLimit > 200);
    if (long) {
      delete axis.minExtent;
      delete axis.maxExtent;
      axis.labelExpr = "slice(" + inLines("datum.label", 32) + ", 0, -1)";
      axis.labelLimit = 200;
    }
    var layers = parts(spec).map(namesInLines);
    long = long || Boolean(spec.layer) && layers.some(Boolean);
    if (long && typeof spec.height === "number") spec.height *= 2;
    return long && typeof spec.height !== "number";
  }
  function sideBySide(spec) { return Boolean(spec.hconcat) || parts(spec).some(sideBySide); }
  function folded(spec, room) {
    if (spec.hconcat) { spec.vconcat = spec.hconcat; delete spec.hconcat; labelled(spec); }
    (spec.concat || spec.vconcat || []).forEach(function (part) { folded(part, room); });
    if (spec.vconcat && room < 700) { spec.concat = spec.vconcat; delete spec.vconcat; spec.columns = 1; spec.align = "none"; }
    if (room < 480 && spec.config && spec.config.legend) spec.config.legend.columns = 1;
  }
  // A chart wider than its place is set with its parts below each other, then with narrower plots.
  function fitted(place, spec, tries) {
    return drawn(place, spec).then(function (result) {
      var picture = place.querySelector("svg"), room = place.parentNode.clientWidth;
      var over = picture ? Number(picture.getAttribute("width")) - room : 0;
      var left = result.view.origin()[0];  // the room of names; titles and words begin where plots do
      if (over <= 1 || tries === 0) {
        if (over > 1) place.parentNode.setAttribute("tabindex", "0");
        return result;
      }
      var again = JSON.parse(JSON.stringify(spec));
      folded(again, room);
      if (room < 700) { namesInLines(again); wrapped(again, Math.max(room - left, 120)); }
      if (!sideBySide(spec)) narrowed(again, widest(spec) - Math.ceil(over));
      result.finalize();
      return fitted(place, again, tries - 1);
    });
  }
  // Until a chart comes into sight its picture is shown; then it is drawn, one after the other.
  // Words are measured with the page's own font, so it must be there first.
  var fonts = document.fonts ? ["12px", "bold 12px"].map(function (size) { return document.fonts.load(size + " 'Bench Sans'"); }) : [];
  var last = Promise.all(fonts).catch(function () {}), done = 0;
  function live(place) {
    last = last.then(function () {
      return new Promise(function (go) { setTimeout(go, 0); });
    }).then(function () {
      return fitted(place, charts[place.getAttribute("data-chart")], 4);
    }).then(function (result) {
      place.spec = charts[place.getAttribute("data-chart")];
      place.dispatchEvent(new CustomEvent("drawn", { detail: result.view }));
      document.body.setAttribute("data-drawn", String(++done));
    }).catch(failed);
  }
  document.body.setAttribute("data-drawn", "0");
  if ("IntersectionObserver" in window) {
    var near = new IntersectionObserver(function (seen) {
      seen.forEach(function (one) {
        if (one.isIntersecting) { near.unobserve(one.target); live(one.target); }
      });
    }, { rootMargin: "300px" });
    places.forEach(function (place) { near.observe(place); });
  } else { places.forEach(live); }

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
