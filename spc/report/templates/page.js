(function () {
  "use strict";
  var read = function (id) { return document.getElementById(id).textContent; };
  var figures = read("figures"), steel = read("steel"), dark = JSON.parse(steel).dark;
  var paper = JSON.parse(steel).paper;
  var scheme = matchMedia("(prefers-color-scheme: dark)");
  var coarse = matchMedia("(pointer: coarse)").matches;

  // Figures are made in paper colours; in the dark each colour is swapped for its partner,
  // and in print the tone of the page for the white of the sheet.
  function parsed(text, swap) {
    return JSON.parse(text, function (key, value) {
      return typeof value === "string" && swap[value] || value;
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
        layout.margin = Object.assign({}, margin, {l: 40, r: Math.min(92, margin.r || 92)});
        (layout.annotations || []).forEach(function (note) { note.font.size = 11; });
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

  if (!window.Plotly) { return; }
  draw(matchMedia("print").matches);
  scheme.addEventListener("change", function () { draw(false); });
  addEventListener("beforeprint", function () { draw(true); });
  addEventListener("afterprint", function () { draw(false); });
  document.documentElement.dataset.drawn = "yes";
})();
