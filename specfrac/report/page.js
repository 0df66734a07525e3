"use strict";
/* Values on the scans, read by pointer, finger or keyboard. Works on the page's own data. */
(function () {
  var SVG = "http://www.w3.org/2000/svg";
  document.body.classList.add("scripted");

  function shape(name, parent, kind) {
    var made = document.createElementNS(SVG, name);
    made.setAttribute("class", kind);
    made.setAttribute("visibility", "hidden");
    parent.appendChild(made);
    return made;
  }

  function number(value, places) {
    if (value === null) return "not measured";
    return value.toFixed(places).replace("-", "\u2212");
  }

  function entry(parent, name, value, colour) {
    var span = document.createElement("span");
    if (colour) {
      var spot = document.createElement("i");
      spot.style.background = colour;
      span.appendChild(spot);
    }
    var label = document.createElement("b");
    label.textContent = name + " ";
    span.appendChild(label);
    span.appendChild(document.createTextNode(value));
    parent.appendChild(span);
  }

  function prepare(plot) {
    var source = plot.querySelector("script.readings");
    var svg = plot.querySelector("svg");
    if (!source || !svg) return;
    var data = JSON.parse(source.textContent);
    var view = svg.viewBox.baseVal;
    var marks = data.axes.map(function () { return shape("line", svg, "cursor"); });
    var dots = data.axes.map(function () { return shape("circle", svg, "mark"); });

    var reader = document.createElement("div");
    reader.className = "reader";
    var slider = document.createElement("input");
    slider.type = "range";
    slider.min = "0";
    slider.max = String(data.wavelength.length - 1);
    slider.value = "0";
    slider.setAttribute("aria-label", "wavelength at which values are read");
    var output = document.createElement("output");
    output.setAttribute("aria-live", "polite");
    reader.appendChild(slider);
    reader.appendChild(output);
    plot.appendChild(reader);

    function place(axes, x, y) {
      var box = axes.box;
      var across = (x - axes.x[0]) / (axes.x[1] - axes.x[0]);
      var up = (y - axes.y[0]) / (axes.y[1] - axes.y[0]);
      return {
        x: view.x + view.width * (box[0] + box[2] * across),
        y: view.y + view.height * (1 - box[1] - box[3] * Math.min(Math.max(up, 0), 1)),
        top: view.y + view.height * (1 - box[1] - box[3]),
        bottom: view.y + view.height * (1 - box[1])
      };
    }

    function show(at) {
      var x = data.wavelength[at];
      var left = data.scan[at] === null ? null : data.scan[at] - data.fit[at];
      [data.fit[at], left === null ? 0 : left].forEach(function (y, which) {
        var spot = place(data.axes[which], x, y);
        var line = marks[which];
        line.setAttribute("x1", spot.x);
        line.setAttribute("x2", spot.x);
        line.setAttribute("y1", spot.top);
        line.setAttribute("y2", spot.bottom);
        line.setAttribute("visibility", "visible");
        dots[which].setAttribute("cx", spot.x);
        dots[which].setAttribute("cy", spot.y);
        dots[which].setAttribute("r", 2.4);
        dots[which].setAttribute("visibility", "visible");
      });
      slider.value = String(at);
      slider.setAttribute("aria-valuetext", x + " nanometres");
      output.textContent = "";
      entry(output, "\u03bb", x.toFixed(1) + " nm");
      entry(output, "scan", number(data.scan[at], 4) + (data.used[at] ? "" : " (left out)"));
      entry(output, "fit", number(data.fit[at], 4));
      entry(output, "scan \u2212 fit", number(left, 4) +
        (data.used[at] ? ", expected within \u00b1\u00a0" + number(data.expected[at], 4) : ""));
      data.parts.forEach(function (part) {
        entry(output, part.name, number(part.values[at], 4), part.colour);
      });
    }

    function nearest(event) {
      var frame = svg.getBoundingClientRect();
      var axes = data.axes[0];
      var across = ((event.clientX - frame.left) / frame.width - axes.box[0]) / axes.box[2];
      var x = axes.x[0] + (axes.x[1] - axes.x[0]) * across;
      var best = 0;
      data.wavelength.forEach(function (value, at) {
        if (Math.abs(value - x) < Math.abs(data.wavelength[best] - x)) best = at;
      });
      return best;
    }

    var top = 0;
    data.fit.forEach(function (value, at) { if (value > data.fit[top]) top = at; });
    svg.addEventListener("pointermove", function (event) { show(nearest(event)); });
    svg.addEventListener("pointerdown", function (event) { show(nearest(event)); });
    slider.addEventListener("input", function () { show(Number(slider.value)); });
    slider.addEventListener("focus", function () { show(Number(slider.value)); });
    show(top);
    marks.concat(dots).forEach(function (mark) { mark.setAttribute("visibility", "hidden"); });
  }

  /* A link to folded workings unfolds them, also in browsers that do not do so themselves. */
  function unfold(name) {
    var target = name && document.getElementById(name);
    if (!target || target.tagName !== "DETAILS") return;
    for (var one = target; one; one = one.parentElement) {
      if (one.tagName === "DETAILS") one.open = true;
    }
    target.scrollIntoView({ block: "nearest" });
  }

  function addressed() { unfold(location.hash.slice(1)); }

  /* Paper cannot be unfolded: what belongs in the record is opened for it. */
  function paper(open) {
    document.querySelectorAll("details.on-paper").forEach(function (one) { one.open = open; });
  }

  document.querySelectorAll(".plot").forEach(prepare);
  window.addEventListener("beforeprint", function () { paper(true); });
  window.addEventListener("afterprint", function () { paper(false); });
  window.addEventListener("hashchange", addressed);
  /* The same link again changes no address, but what it leads to may be folded by now. */
  document.addEventListener("click", function (event) {
    var link = event.target.closest && event.target.closest("a[href^='#']");
    if (link) unfold(link.getAttribute("href").slice(1));
  });
  addressed();
})();
