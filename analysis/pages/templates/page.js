(function () {
  "use strict";
  var charts = JSON.parse(document.getElementById("charts").textContent);
  var places = Array.prototype.slice.call(document.querySelectorAll("[data-chart]"));
  document.documentElement.classList.add("js");
  function failed(error) { document.body.setAttribute("data-failed", String(error)); }
  function drawn(place, spec, where) {
    // On a board a selection may be empty: a scale without values is no fault there, so only errors are logged.
    // A choice may bring longer titles and names: the picture grows with them.
    var growing = Object.assign({ autosize: { type: "pad", resize: true } }, spec);
    return vegaEmbed(where || place, growing, { ast: true, actions: false, renderer: "svg", logLevel: place.id === "board" ? 1 : 2 });
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
  function titleInLines(title, most) {
    function lines(text) {
      return [].concat(text).join(" ").split(" ").reduce(function (all, word) {
        var last = all[all.length - 1];
        if (last !== undefined && (last + " " + word).length <= most) all[all.length - 1] = last + " " + word;
        else all.push(word);
        return all;
      }, []);
    }
    if (typeof title === "string" || Array.isArray(title)) return lines(title);
    if (!title || !title.text) return title;
    if (title.text.expr) {
      title.whole = title.whole || "join(" + title.text.expr + ", ' ')";  // its lines as set for the full width
      title.text.expr = "split(slice(" + inLines(title.whole, most) + ", 0, -1), '\\n')";
    }
    else title.text = lines(title.text);
    if (title.subtitle) title.subtitle = lines(title.subtitle);
    return title;
  }
  function wordsInLines(spec, room) {
    (spec.params || []).forEach(function (one) { if (one.name === "letters") one.value = Math.min(one.value, Math.floor(room / 6.4)); });
  }
  // On a narrow screen titles and words are set in lines, and months that have no room are left out.
  function wrapped(spec, room) {
    wordsInLines(spec, room);
    if (spec.title) spec.title = titleInLines(spec.title, Math.floor(room / 7.6));
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
  var PADDING = 11, MIDDLING = 640;  // around a drawn chart; a place at least as wide has charts next to each other
  function across(spec) {
    if (typeof spec.width === "number") return spec.width;
    return parts(spec).map(across).reduce(function (all, one) { return spec.hconcat ? all + one : Math.max(all, one); }, 0);
  }
  // The room of the names along a chart, where its title begins.
  function namesRoom(spec) {
    var y = spec.encoding && spec.encoding.y, axis = y && y.axis;
    if (axis && axis.labels !== false && axis.labelLimit) return axis.minExtent || Math.min(axis.labelLimit, 110);
    return Math.max.apply(null, [0].concat((spec.layer || []).map(namesRoom)));
  }
  function scaled(spec, share) {
    if (typeof spec.width === "number") {
      spec.width = Math.max(80, Math.floor(spec.width * share));
      if (spec.title) spec.title = titleInLines(spec.title, Math.max(22, Math.floor((spec.width + namesRoom(spec)) / 6.6)));
    }
    (spec.transform || []).forEach(function (one) {
      if (one.calculate) one.calculate = one.calculate.replace(/min\(letters, (\d+)\)/g, function (_, most) { return "min(letters, " + Math.floor(most * share) + ")"; });
    });
    var x = spec.encoding && spec.encoding.x;
    if (x && x.axis && x.axis.labelExpr) x.axis.labelOverlap = "greedy";
    parts(spec).forEach(function (part) { scaled(part, share); });
  }
  // The rows of a board with where each ends.
  function rowsOf(spec, view) {
    var drawn = view.scenegraph().root.items[0].items.filter(function (one) { return one.marktype === "group" && one.role === "scope"; });
    return spec.concat.map(function (row, at) { return [row, drawn[at] ? drawn[at].bounds.x2 + view.origin()[0] + PADDING : 0]; });
  }
  // On a screen of middling width plots are set narrower; where they would be too narrow, the first has a row of its own.
  function rowsFitted(spec, view, room) {
    wordsInLines(spec, room);
    rowsOf(spec, view).forEach(function (pair) {
      var row = pair[0], end = pair[1], plots = across(row), share = (room - 4 - (end - plots)) / plots;
      if (end <= room) return;
      if (share >= 0.6 || !sideBySide(row)) scaled(row, Math.max(share, 0.3));
      else if (row.hconcat) {
        var others = row.hconcat.slice(1);
        labelled(others[0]);
        if (others.length > 1) others = [{ hconcat: others, spacing: row.spacing, resolve: row.resolve }];
        row.vconcat = [row.hconcat[0]].concat(others);
        delete row.hconcat;
      }
      else folded(row, room);
    });
  }
  // A chart wider than its place is set with narrower plots, or with its parts below each other.
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
      place.narrower = true;
      if (place.id === "board" && room >= MIDDLING && tries > 3) rowsFitted(again, result.view, room);
      else {
        folded(again, room);
        if (room < 700) { namesInLines(again); wrapped(again, Math.max(room - left, 120)); }
        if (!sideBySide(spec)) narrowed(again, widest(spec) - Math.ceil(over));
      }
      result.finalize();
      return fitted(place, again, tries - 1);
    });
  }
  // Paper has room for the whole width, so the picture is printed where the screen has a narrower chart.
  function keptForPaper(place, picture) {
    if (!place.narrower || !picture) return;
    place.paper = document.createElement("div");
    place.paper.className = "chart on-paper";
    place.paper.setAttribute("aria-hidden", "true");
    place.paper.appendChild(picture);
    place.parentNode.insertBefore(place.paper, place.nextSibling);
    place.classList.add("on-screen");
  }
  // Until a chart comes into sight its picture is shown; then it is drawn, one after the other.
  // Words are measured with the page's own font, so it must be there first.
  var fonts = document.fonts ? ["12px", "bold 12px"].map(function (size) { return document.fonts.load(size + " 'Bench Sans'"); }) : [];
  var last = Promise.all(fonts).catch(function () {}), done = 0;
  function live(place) {
    var picture;
    last = last.then(function () {
      return new Promise(function (go) { setTimeout(go, 0); });
    }).then(function () {
      picture = place.querySelector("svg");
      place.spec = charts[place.getAttribute("data-chart")];
      place.drawnOn = function (other) { return drawn(place, place.spec, other); };
      return fitted(place, place.spec, 7);
    }).then(function (result) {
      keptForPaper(place, picture);
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
