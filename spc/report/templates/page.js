(function () {
  "use strict";
  var text = function (id) { var e = document.getElementById(id); return e ? e.textContent : "{}"; };
  var figures = text("figures"), steel = text("steel");
  var dark = JSON.parse(steel).dark, paper = JSON.parse(steel).paper;
  var scheme = matchMedia("(prefers-color-scheme: dark)");
  var coarse = matchMedia("(pointer: coarse)").matches;

  // Figures are made in paper colours; in the dark each colour is swapped for its partner,
  // and in print the tone of the page for the white of the sheet.
  function parsed(text, swap) {
    return JSON.parse(text, function (key, value) {
      return typeof value === "string" && swap[value] || value;
    });
  }

  // On a narrow screen only act labels that keep a sixth of the width apart are shown.
  function spaced(figure) {
    var reach = figure.layout.xaxis && figure.layout.xaxis.range, kept = [];
    if (!reach) { return; }
    var width = (reach[1] - reach[0]) / 6;
    var aside = {"top right": width / 2, "top left": -width / 2};
    figure.data.forEach(function (trace) {
      if (trace.yaxis !== "y2" || !trace.text) { return; }
      trace.text = trace.text.map(function (word, i) {
        var middle = trace.x[i] + (aside[[].concat(trace.textposition)[i]] || 0);
        var near = kept.some(function (x) { return Math.abs(x - middle) < width; });
        if (word && !near) { kept.push(middle); }
        return near ? "" : word;
      });
    });
  }

  function draw(forPaper) {
    var swap = forPaper ? paper : scheme.matches ? dark : {};
    var all = parsed(figures, swap), template = parsed(steel, swap).template;
    document.querySelectorAll(".plot").forEach(function (box) {
      var figure = all[box.dataset.key], layout = figure.layout;
      layout.template = template;
      layout.autosize = !forPaper;
      if (forPaper) {
        layout.width = 690;
        layout.height = Math.round(0.8 * layout.height);
      } else if (box.clientWidth < 560) {
        var margin = layout.margin || {};
        layout.margin = Object.assign({}, margin, {l: 40, r: Math.min(98, margin.r || 98)});
        (layout.annotations || []).forEach(function (note) { note.font.size = 11; });
        spaced(figure);
      }
      if (coarse) { layout.dragmode = false; }
      if (!box.drawn) { box.textContent = ""; box.drawn = true; }
      Plotly.react(box, figure.data, layout, {responsive: !forPaper, displayModeBar: false});
    });
  }

  // What is copied parses anywhere: a point as decimal mark and a plain minus.
  document.addEventListener("copy", function (event) {
    var chosen = String(getSelection());
    if (!chosen || !event.clipboardData) { return; }
    event.clipboardData.setData("text/plain",
      chosen.replace(/\u2212/g, "-").replace(/(\d),(?=\d)/g, "$1."));
    event.preventDefault();
  });

  // The index: each word typed must stand somewhere in an entry.
  var find = document.getElementById("find");
  if (find) {
    var shelf = Array.from(document.querySelectorAll(".shelf li"));
    find.parentNode.hidden = false;
    find.addEventListener("input", function () {
      var words = find.value.toLowerCase().split(/\s+/);
      shelf.forEach(function (item) {
        item.hidden = !words.every(function (word) { return item.dataset.words.includes(word); });
      });
      document.getElementById("found").textContent =
        shelf.filter(function (item) { return !item.hidden; }).length + " / " + shelf.length;
    });
  }

  // The board: how old the last reading is, by this screen's own clock.
  var stale = document.querySelector("[data-last]");
  function watch() {
    var age = Date.now() / 1000 - stale.dataset.last;
    stale.hidden = age < stale.dataset.late;
    stale.textContent = stale.dataset.says.replace("{age}", since(age));
  }
  // As people say it: 47 min, 3 h 20 min, 1 day 3 h, 5 days.
  function since(seconds) {
    var unit = stale.dataset.units.split("|");
    var minutes = Math.floor(seconds / 60), hours = Math.floor(minutes / 60);
    function both(n, name, rest, of) { return n + " " + name + (rest ? " " + rest + " " + of : ""); }
    if (minutes < 60) { return minutes + " " + unit[0]; }
    if (hours < 24) { return both(hours, unit[1], minutes % 60, unit[0]); }
    if (hours < 48) { return both(1, unit[2], hours % 24, unit[1]); }
    return Math.floor(hours / 24) + " " + unit[3];
  }
  if (stale && stale.dataset.last) { watch(); setInterval(watch, 5000); }

  var renew = Number(document.body.dataset.renew);
  if (renew) { setTimeout(function () { location.reload(); }, 1000 * renew); }

  document.documentElement.dataset.drawn = "yes";
  if (!window.Plotly || !document.querySelector(".plot")) { return; }
  document.documentElement.dataset.drawn = "no";
  draw(matchMedia("print").matches);
  scheme.addEventListener("change", function () { draw(matchMedia("print").matches); });
  addEventListener("beforeprint", function () {
    // A gauge study on paper is its record: the numbers of its pictures belong to it.
    document.querySelectorAll(".gauge_study details").forEach(function (e) { e.open = true; });
    draw(true);
  });
  addEventListener("afterprint", function () { draw(false); });
  document.documentElement.dataset.drawn = "yes";
})();
