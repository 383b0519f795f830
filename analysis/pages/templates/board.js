// A board on its page: the form, the page's address and the chart hold one and the same selection.
(function () {
  "use strict";
  var place = document.getElementById("board");
  if (!place) return;
  var form = document.getElementById("selection"), words = document.getElementById("selection-words");
  var lists = Array.prototype.slice.call(form.querySelectorAll("select"));
  var names = lists.map(function (list) { return list.name; }).filter(function (name) { return name !== "from" && name !== "to"; });
  var months = form.elements.from ? Array.prototype.slice.call(form.elements.from.options, 1).map(function (o) { return o.value; }) : [];
  var WORK = ["shop", "technician", "brake_model", "brake", "hose_route"];
  var view, kept = new URLSearchParams(), period = null, choosing = 0;
  var options = {}, cells = [], opening = null;
  names.forEach(function (name) { options[name] = Array.prototype.slice.call(form.elements[name].options); });
  form.addEventListener("submit", function (event) { event.preventDefault(); });

  function known(name, on) { try { (on || view).signal(name); return true; } catch (error) { return false; } }
  function signal(name, on) { return known(name + "_" + name, on) ? name + "_" + name : name; }
  function chosen(name) { return view.signal(signal(name)) || ""; }
  function inAddress() { return location.hash.indexOf("=") > 0 ? new URLSearchParams(location.hash.slice(1)) : new URLSearchParams(); }

  // The months from one to another; null for all of them.
  function monthsOf(from, to) {
    if (!months.length) return null;
    var a = from ? months.indexOf(from) : 0, b = to ? months.indexOf(to) : months.length - 1;
    if (a < 0) a = 0;
    if (b < 0) b = months.length - 1;
    return a === 0 && b === months.length - 1 ? null : months.slice(Math.min(a, b), Math.max(a, b) + 1);
  }
  // Sets a selection on a drawn chart.
  function setOn(chart, selection) {
    names.forEach(function (name) {
      var value = selection.get(name) || "";
      var there = options[name].some(function (option) { return option.value === value; });
      chart.signal(signal(name, chart), there && value ? value : null);
    });
    if (!months.length || !known("period", chart)) return chart;
    var range = monthsOf(selection.get("from"), selection.get("to"));
    var tuple = { unit: "bars", fields: [{ field: "month", channel: "x", type: "E" }], values: [range] };
    chart.data("period_store", range ? [tuple] : []);
    return chart;
  }
  // The kinds of work that occur, from the cells that the chart counts.
  function readCells(spec) {
    var lists = {};
    (spec.params || []).forEach(function (one) { lists[one.name] = one.value; });
    if (!lists.shop_names) return;
    cells = JSON.parse(spec.datasets.cells).map(function (cell) {
      return WORK.map(function (name, at) { return lists[name + "_names"][cell[at]]; });
    });
  }
  // Whether some bleed has both names; true for what is not chosen or no kind of work.
  function meet(name, value, other, otherValue) {
    var a = WORK.indexOf(name), b = WORK.indexOf(other);
    return !value || !otherValue || a < 0 || b < 0 || !cells.length ||
      cells.some(function (cell) { return cell[a] === value && cell[b] === otherValue; });
  }
  // A chosen workshop leaves the names that occur there in the other lists; what is chosen stays in its list.
  function narrowed() {
    var shop = names.indexOf("shop") >= 0 ? chosen("shop") : "";
    names.forEach(function (name) {
      var list = form.elements[name], value = chosen(name);
      var offered = options[name].filter(function (one) { return name === "shop" || meet(name, one.value, "shop", shop) || one.value === value; });
      if (offered.length !== list.options.length || offered.some(function (one, at) { return one !== list.options[at]; })) {
        list.replaceChildren.apply(list, offered);
      }
      list.value = value;
    });
  }
  function choose(selection) {
    period = monthsOf(selection.get("from"), selection.get("to"));
    choosing += 1;
    return setOn(view, selection).runAsync().then(function () { choosing -= 1; shown(); });
  }
  function ofForm() {
    var selection = new URLSearchParams();
    lists.forEach(function (list) { if (list.value) selection.set(list.name, list.value); });
    return selection;
  }
  function marks(name) {
    var found = [];
    (function look(item) {
      if (item.marktype && item.name === name) found = found.concat(item.items);
      else (item.items || []).forEach(look);
    })(view.scenegraph().root);
    return found;
  }
  // The chart library gives a role to marks that are not there and to the brush; neither has anything to say.
  function silent() {
    place.querySelectorAll("g[role=graphics-symbol]").forEach(function (mark) {
      var empty = !mark.childElementCount || String(mark.getAttribute("class")).indexOf("period_brush") >= 0;
      if (empty) mark.setAttribute("aria-hidden", "true"); else mark.removeAttribute("aria-hidden");
    });
  }
  // After any change, by click, list or address: the lists, the sentence, the address, the links and the table follow the chart.
  function shown() {
    silent();
    var selection = new URLSearchParams(kept);
    narrowed();
    names.forEach(function (name) {
      var value = chosen(name);
      if (value) selection.set(name, value); else selection.delete(name);
    });
    if (months.length) {
      var brushed = known("period") && view.signal("period").month;
      if (known("period")) period = brushed && brushed.length ? brushed : null;
      ["from", "to"].forEach(function (end) {
        var value = !period ? "" : end === "from" ? period[0] : period[period.length - 1];
        form.elements[end].value = value;
        if (value) selection.set(end, value); else selection.delete(end);
      });
    }
    var first = marks("sentence_marks")[0];
    var sentence = first ? first.datum.sentence : "No bleeds in this selection.";
    if (words && words.textContent !== sentence) words.textContent = sentence;
    count = first ? first.datum.bleeds : 0;
    notApplied(selection);
    var hash = selection.toString();
    if (hash || location.hash.indexOf("=") > 0) {
      try { history.replaceState(null, "", hash ? "#" + hash : location.pathname + location.search); } catch (error) { location.hash = hash; }
    }
    document.querySelectorAll(".trail a").forEach(function (link) {
      link.setAttribute("href", link.getAttribute("href").split("#")[0] + (hash ? "#" + hash : ""));
    });
    printed(selection, hash);
    var scope = document.getElementById("figures-scope");
    if (scope) scope.hidden = !hash;
    listed(selection);
    document.body.setAttribute("data-selection", hash);
  }
  // What was selected on another page and this one has no list for.
  var KINDS = { shop: "workshop", technician: "technician", brake_model: "brake model", brake: "brake", hose_route: "hose routing" };
  var unapplied = document.createElement("p");
  unapplied.className = "quiet";
  unapplied.hidden = true;
  form.parentNode.insertBefore(unapplied, form.nextSibling);
  function notApplied(selection) {
    var kinds = WORK.filter(function (name) { return selection.get(name) && !form.elements[name]; }).map(function (name) {
      return KINDS[name] + " " + selection.get(name);
    });
    if (!months.length && (selection.get("from") || selection.get("to"))) kinds.push("period");
    unapplied.textContent = kinds.length ? "Selected elsewhere and not applied here: " + kinds.join(", ") + "." : "";
    unapplied.hidden = !kinds.length;
  }
  // What is printed from a narrow window: the picture, or the whole width drawn again with the selection.
  var whole = null, drawing = 0;
  function printed(selection, hash) {
    if (!place.paper || place.paper.getAttribute("data-selection") === hash) return;
    whole = whole || place.paper.firstChild;
    var own = ++drawing, other = document.createElement("div");
    place.paper.setAttribute("data-selection", hash);
    if (!hash) { place.paper.replaceChildren(whole); return; }
    place.drawnOn(other).then(function (result) {
      if (own === drawing) return setOn(result.view, selection).runAsync().then(function () {
        if (own === drawing) place.paper.replaceChildren(other.querySelector("svg").cloneNode(true));
        result.finalize();
      });
      result.finalize();
    });
  }
  var waiting = false;
  function soon() {
    if (waiting) return;
    waiting = true;
    setTimeout(function () { view.runAsync().then(function () { waiting = false; shown(); }); }, 0);
  }
  place.addEventListener("drawn", function (event) {
    view = place.view = event.detail;
    readCells(place.spec);
    inAddress().forEach(function (value, name) { kept.set(name, value); });
    names.forEach(function (name) {
      view.addSignalListener(signal(name), function (_, value) {
        if (!choosing) names.forEach(function (other) {
          if (other !== name && !meet(name, value, other, chosen(other))) view.signal(signal(other), null);
        });
        soon();
      });
    });
    if (known("period")) view.addSignalListener("period", soon);
    choose(kept);
  });
  form.addEventListener("change", function (event) {
    if (!view) return;
    var selection = ofForm(), changed = event.target.name;
    names.forEach(function (name) {
      if (name !== changed && !meet(changed, selection.get(changed), name, selection.get(name))) selection.delete(name);
    });
    choose(selection);
  });
  form.addEventListener("reset", function (event) {
    event.preventDefault();
    kept = new URLSearchParams();
    if (view) choose(kept);
  });
  window.addEventListener("hashchange", function () {
    if (!view) return;
    if (location.hash.indexOf("=") > 0) choose(inAddress());
    else shown();  // a link to a section: the selection stays in the address
  });

  var source = document.getElementById("bleeds-data");
  var data = source && JSON.parse(source.textContent), SHOWN = 5;
  var sorted = null, down = false, limit = SHOWN, count = null, found = [], selected = new URLSearchParams();
  function work(row, name) { return data.names[name][row[2 + WORK.indexOf(name)]]; }
  function percent(share) { return share === null ? "" : (100 * share).toFixed(1) + "%"; }
  var COLUMNS = [
    function (r) { return r[0]; }, function (r) { return r[1]; }, function (r) { return work(r, "brake"); },
    function (r) { return work(r, "brake_model"); }, function (r) { return work(r, "technician"); },
    function (r) { return work(r, "shop"); }, function (r) { return r[7]; }, function (r) { return r[8]; },
    function (r) { return r[10]; }, function (r) { return r[9]; }
  ];
  function text(row, at) {
    var value = COLUMNS[at](row);
    if (value === null) return "";
    return at === 7 ? value + (value === 1 ? " day" : " days") : at === 8 ? percent(value) : String(value);
  }
  function element(tag, words, parent) {
    var made = document.createElement(tag);
    if (words !== undefined && words !== null) made.textContent = words;
    if (parent) parent.appendChild(made);
    return made;
  }
  function listed(selection) {
    if (!data) return;
    selected = selection;
    limit = SHOWN;
    if (opening && !inSelection(opening)) {
      opening = null;
      document.getElementById("bleed").textContent = "";
      document.getElementById("bleed").className = "";
    }
    table();
  }
  function inSelection(row) {
    return WORK.every(function (name) { return !selected.get(name) || work(row, name) === selected.get(name); }) &&
      (!period || period.indexOf(row[14]) >= 0 || period.indexOf(quarter(row[14])) >= 0);
  }
  function quarter(month) { return month.slice(0, 5) + "Q" + Math.ceil(Number(month.slice(5)) / 3); }
  function table() {
    var sought = document.getElementById("bleeds-find").value.toLowerCase();
    var listed = data.rows.filter(inSelection), others = count === null ? data.left_out : count - listed.length;
    found = listed.filter(function (row) {
      return !sought || COLUMNS.some(function (_, at) { return text(row, at).toLowerCase().indexOf(sought) >= 0; });
    });
    if (sorted !== null) {
      found = found.slice().sort(function (r, s) {
        var a = COLUMNS[sorted](r), b = COLUMNS[sorted](s);
        if (a === null || b === null) return a === b ? 0 : a === null ? 1 : -1;
        return (down ? -1 : 1) * (typeof a === "number" ? a - b : String(a).localeCompare(String(b)));
      });
    }
    var body = document.querySelector(".bleeds-list tbody");
    body.textContent = "";
    found.slice(0, limit).forEach(function (row) {
      var line = element("tr", null, body);
      COLUMNS.forEach(function (_, at) {
        var cell = element("td", at ? text(row, at) : null, line);
        if (text(row, at).length < 22) cell.className = "short";
        if (!at) element("button", row[0], cell).type = "button";
      });
      line.addEventListener("click", function () { opened(row); });
    });
    document.getElementById("bleeds-words").textContent =
      listed.length.toLocaleString("en") + " of " + (listed.length + others).toLocaleString("en") + " selected bleeds listed, " +
      (sought ? found.length.toLocaleString("en") + " found, " : "") + Math.min(limit, found.length) + " shown" +
      (others > 0 && data.left_out ? "; tables/risk.csv has all of them." : ".");
    document.getElementById("bleeds-more").hidden = found.length <= limit;
  }
  function part(parent, heading, lines, otherwise) {
    element("h4", heading, parent);
    if (!lines.length) { element("p", otherwise, parent); return; }
    var list = element("ul", null, parent);
    lines.forEach(function (line) { element("li", line, list); });
  }
  function readings(parent, row) {
    var usual = data.usual[row[4]];
    element("h4", "Readings, and the usual range for " + work(row, "brake_model"), parent);
    var made = element("table", null, parent), head = element("tr", null, element("thead", null, made)), body = element("tbody", null, made);
    ["reading", "this bleed", "usual (8 bleeds in 10)", ""].forEach(function (word) { element("th", word, head).scope = "col"; });
    data.readings.forEach(function (name, at) {
      var value = row[13][at], limits = usual[at];
      if (value === null) return;
      var line = element("tr", null, body);
      element("th", name, line).scope = "row";
      element("td", String(value), line);
      element("td", limits ? limits[0] + " to " + limits[2] : "not recorded", line);
      element("td", !limits ? "" : value > limits[2] ? "▲ higher than usual" : value < limits[0] ? "▼ lower than usual" : "", line);
    });
  }
  function opened(row) {
    var panel = document.getElementById("bleed");
    opening = row;
    panel.textContent = "";
    panel.className = "card";
    element("h3", "Job " + row[0] + ": " + work(row, "brake") + " brake of bike " + row[1], panel);
    element("p", work(row, "brake_model") + ", hose " + work(row, "hose_route") + ", bled by " + work(row, "technician") + " (" +
      work(row, "shop") + ") on " + row[7] + ". " + (row[8] === null ? "No comeback in the log." : "Came back after " + text(row, 7) + ".") +
      (row[9] ? " " + row[9].charAt(0).toUpperCase() + row[9].slice(1) + "." : ""), panel);
    part(panel, "Steps missed", row[12].map(function (at) { return data.steps[at]; }), "None of the recorded steps.");
    part(panel, "Risk" + (row[10] === null ? "" : ": " + percent(row[10])), row[11].map(function (at) { return data.reasons[at]; }), "No reason found; that does not mean the bleed is sound.");
    readings(panel, row);
    part(panel, "Latest bleeds of this bike", (data.others[row[1]] || []).filter(function (one) { return one[0] !== row[0]; }).map(function (one) {
      return one[1] + ", " + one[2] + ", job " + one[0] + ", " + one[3] + (one[4] === null ? "" : ", came back after " + one[4] + (one[4] === 1 ? " day" : " days"));
    }), "No other bleed in the log.");
    part(panel, "Returns of this bike", (data.returns[row[1]] || []).map(function (one) {
      return one.filter(Boolean).join(", ");
    }), "No return in the log.");
    panel.focus();
  }
  if (data) {
    document.getElementById("bleeds-find").addEventListener("input", function () { limit = SHOWN; table(); });
    document.getElementById("bleeds-more").addEventListener("click", function () { limit += 200; table(); });
    document.querySelectorAll(".bleeds-list thead th").forEach(function (head, at, heads) {
      head.addEventListener("click", function () {
        down = sorted === at && !down;
        sorted = at;
        heads.forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        table();
      });
    });
    table();
  }
})();
