(function () {
  "use strict";
  var panel = document.getElementById("what-if");
  if (!panel) { return; }
  var data = JSON.parse(panel.querySelector("script").textContent);
  var place = panel.querySelector(".sliders");
  var says = panel.querySelector(".says");
  var inputs = [];

  function shown(factor, value) {
    return factor.units.map(function (u, i) {
      var text = (u.zero + u.per * value).toFixed(u.decimals) + " " + u.symbol;
      return i ? "(" + text + ")" : text;
    }).join(" ");
  }

  function coded(factor, value) {
    var a = factor.log ? Math.log(factor.low) : factor.low;
    var b = factor.log ? Math.log(factor.high) : factor.high;
    return ((factor.log ? Math.log(value) : value) - a) / (b - a);
  }

  /* Blend of the 2^k grid points around a setting. */
  function blend(values, at) {
    var n = data.levels, k = at.length, total = 0;
    var cell = at.map(function (u) { return Math.min(n - 2, Math.max(0, Math.floor(u * (n - 1)))); });
    var part = at.map(function (u, j) { return u * (n - 1) - cell[j]; });
    for (var corner = 0; corner < 1 << k; corner += 1) {
      var weight = 1, index = 0;
      for (var j = 0; j < k; j += 1) {
        var up = corner >> j & 1;
        weight *= up ? part[j] : 1 - part[j];
        index = index * n + cell[j] + up;
      }
      if (weight) { total += weight * values[index]; }
    }
    return total;
  }

  function share(logit) { return 1 / (1 + Math.exp(-logit)); }

  function shirts(p) {
    var n = Math.round(100 * p);
    if (n === 100 && p < 0.9995) { n = 99; }
    if (n === 0 && p > 0.0005) { n = 1; }
    return n + " of 100 shirts";
  }

  var tests = {
    ">=": function (a, b) { return a >= b; }, "<=": function (a, b) { return a <= b; },
    ">": function (a, b) { return a > b; }, "<": function (a, b) { return a < b; }, "=": function (a, b) { return a === b; }
  };

  function forbidden(values) {
    return data.forbidden.find(function (f) {
      return f.clauses.every(function (c) { return tests[c[1]](values[c[0]], c[2]); });
    });
  }

  function line(name, text) {
    var row = document.createElement("div"), head = document.createElement("dt"), body = document.createElement("dd");
    head.textContent = name;
    body.textContent = text;
    row.append(head, body);
    says.append(row);
  }

  function update() {
    var values = inputs.map(function (i) { return Number(i.value); });
    var at = values.map(function (v, j) { return coded(data.factors[j], v); });
    inputs.forEach(function (i, j) {
      var text = shown(data.factors[j], values[j]);
      i.setAttribute("aria-valuetext", text);
      i.parentNode.querySelector("output").textContent = text;
    });
    var expected = share(blend(data.expected, at) * data.step);
    var low = Math.min(expected, share(blend(data.low, at) * data.step));
    panel.dataset.expected = expected.toFixed(4);
    panel.dataset.low = low.toFixed(4);
    says.textContent = "";
    var bar = forbidden(values);
    if (bar) { line("never make this", bar.reason || "forbidden combination"); }
    line("expected", shirts(expected) + (expected >= data.target ? ", on target" : ", below the target"));
    line("at least, with the stated assurance", shirts(low));
    if (data.hand) {
      var hand = blend(data.hand, at) * data.handStep;
      panel.dataset.hand = hand.toFixed(3);
      var enough = data.handWanted === null ? "" : hand >= data.handWanted ? ", soft enough" : ", too stiff";
      line("hand-feel", hand.toFixed(1) + enough);
    }
    if (data.window) {
      var out = data.factors.filter(function (f, j) {
        return values[j] < data.window[j][0] || values[j] > data.window[j][1];
      }).map(function (f) { return f.label; });
      line("expected window", out.length ? "outside: " + out.join(", ") : "inside");
    }
  }

  data.factors.forEach(function (f) {
    var label = document.createElement("label"), name = document.createElement("span");
    var input = document.createElement("input"), output = document.createElement("output");
    name.textContent = f.label;
    input.type = "range";
    input.min = f.low;
    input.max = f.high;
    input.step = f.step;
    input.value = f.here;
    input.addEventListener("input", update);
    label.append(name, output, input);
    place.append(label);
    inputs.push(input);
  });
  panel.querySelector("button").addEventListener("click", function () {
    inputs.forEach(function (i, j) { i.value = data.factors[j].here; });
    update();
  });
  update();
  panel.hidden = false;
}());
