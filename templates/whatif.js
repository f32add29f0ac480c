(function () {
  "use strict";
  var section = document.getElementById("what-if");
  if (!section) { return; }
  var data = JSON.parse(section.querySelector("script").textContent);
  var panel = section.querySelector(".panel");
  var place = panel.querySelector(".sliders");
  var says = panel.querySelector(".says");
  var rooms = panel.querySelector(".rooms");
  var inputs = [], choosers = [], waiting = 0;

  /* ---- numbers: the draws, as the library holds them ---- */

  var store = null;
  if (data.kind === "draws") {
    var bytes = Uint8Array.from(atob(data.numbers), function (c) { return c.charCodeAt(0); });
    var view = new DataView(bytes.buffer), all = new Float64Array(bytes.length / 4);
    for (var n = 0; n < all.length; n += 1) { all[n] = view.getFloat32(4 * n, true); }
    var at = 0, take = function (count) { at += count; return all.subarray(at - count, at); };
    store = { lapse: take(data.draws), nodes: take(data.nodes * data.factors.length) };
    store.logit = take(data.combinations * data.draws * data.features);
    store.hand = data.hasHand ? take(data.combinations * data.draws * data.features) : null;
  }

  /* Model coordinate of a setting: coded -1/T for temperatures, coded log for times. */
  function coordinate(factor, value) {
    var turn = function (v) {
      return factor.axis === "inverse" ? -1 / (v + 273.15) : factor.axis === "log" ? Math.log(v) : v;
    };
    var low = turn(factor.low), high = turn(factor.high);
    return (2 * turn(value) - low - high) / (high - low);
  }

  /* 1, z_j, then z_i z_j with i <= j. */
  function features(values) {
    var z = values.map(function (v, j) { return coordinate(data.factors[j], v); });
    var out = [1].concat(z);
    for (var i = 0; i < z.length; i += 1) {
      for (var j = i; j < z.length; j += 1) { out.push(z[i] * z[j]); }
    }
    return out;
  }

  function product(list, start, columns, from) {
    var total = 0;
    for (var f = 0; f < data.features; f += 1) { total += list[start + f] * columns[from + f]; }
    return total;
  }

  function clip(feel) { return Math.min(5, Math.max(1, feel)); }

  /* Robust pass rate of every draw: the mean over points that stand for the setting error. */
  function rates(values, combination) {
    var k = data.factors.length, width = data.features;
    var columns = new Float64Array(data.nodes * width);
    for (var node = 0; node < data.nodes; node += 1) {
      var moved = values.map(function (v, j) {
        var factor = data.factors[j], real = v + factor.sd * store.nodes[node * k + j];
        return factor.log ? Math.max(real, 0.1 * factor.low) : real;
      });
      columns.set(features(moved), node * width);
    }
    var out = new Float64Array(data.draws), first = combination * data.draws;
    for (var d = 0; d < data.draws; d += 1) {
      var start = (first + d) * width, total = 0;
      for (node = 0; node < data.nodes; node += 1) {
        var below = 1 + Math.exp(-product(store.logit, start, columns, node * width));
        if (data.blur !== null) {
          var short = data.handWanted - clip(product(store.hand, start, columns, node * width));
          below *= 1 + Math.exp(short / data.blur);
        }
        total += 1 / below;
      }
      out[d] = (1 - store.lapse[d]) * total / data.nodes;
    }
    return out;
  }

  function feels(values, combination) {
    var columns = features(values), out = new Float64Array(data.draws);
    for (var d = 0; d < data.draws; d += 1) {
      out[d] = clip(product(store.hand, (combination * data.draws + d) * data.features, columns, 0));
    }
    return out;
  }

  function mean(list) { return list.reduce(function (a, b) { return a + b; }, 0) / list.length; }

  function quantile(list, share) {
    var sorted = Array.from(list).sort(function (a, b) { return a - b; });
    var spot = share * (sorted.length - 1), below = Math.floor(spot);
    return sorted[below] + (spot - below) * ((sorted[below + 1] === undefined ? sorted[below] : sorted[below + 1]) - sorted[below]);
  }

  /* ---- the grid that stands in when the draws alone do not make the surfaces ---- */

  function blend(values, settings) {
    var points = data.points, k = settings.length, total = 0;
    var shares = settings.map(function (v, j) {
      var f = data.factors[j], a = f.log ? Math.log(f.low) : f.low, b = f.log ? Math.log(f.high) : f.high;
      return ((f.log ? Math.log(v) : v) - a) / (b - a) * (points - 1);
    });
    var cell = shares.map(function (u) { return Math.min(points - 2, Math.max(0, Math.floor(u))); });
    for (var corner = 0; corner < 1 << k; corner += 1) {
      var weight = 1, index = 0;
      for (var j = 0; j < k; j += 1) {
        var up = corner >> j & 1, part = shares[j] - cell[j];
        weight *= up ? part : 1 - part;
        index = index * points + cell[j] + up;
      }
      if (weight) { total += weight * values[index]; }
    }
    return total;
  }

  function fromLogit(x) { return 1 / (1 + Math.exp(-x)); }

  /* What is known at a setting. */
  function predict(settings, combination) {
    if (data.kind === "grid") {
      var expected = fromLogit(blend(data.expected, settings) * data.step);
      return {
        expected: expected, low: Math.min(expected, fromLogit(blend(data.low, settings) * data.step)), high: null,
        chance: null, hand: data.hasHand ? blend(data.hand, settings) * data.handStep : null, handLow: null
      };
    }
    var list = rates(settings, combination), low = 1 - data.assurance;
    var feel = data.hasHand ? feels(settings, combination) : null;
    return {
      expected: mean(list), low: quantile(list, low), high: quantile(list, 1 - low),
      chance: list.reduce(function (a, r) { return a + (r >= data.target ? 1 : 0); }, 0) / list.length,
      hand: feel ? mean(feel) : null, handLow: feel ? quantile(feel, low) : null, handHigh: feel ? quantile(feel, 1 - low) : null
    };
  }

  function expectedAt(settings, combination) {
    return data.kind === "grid" ? predict(settings, combination).expected : mean(rates(settings, combination));
  }

  /* How far one setting may move alone before the expected rate falls below the target; null: to the end of its range. */
  function room(settings, combination, j, end) {
    var probe = settings.slice();
    probe[j] = end;
    if (expectedAt(probe, combination) >= data.target) { return null; }
    var good = settings[j], bad = end;
    for (var i = 0; i < 9; i += 1) {
      probe[j] = (good + bad) / 2;
      if (expectedAt(probe, combination) >= data.target) { good = probe[j]; } else { bad = probe[j]; }
    }
    return Math.abs(good - settings[j]);
  }

  /* ---- words ---- */

  function shown(factor, value) {
    return factor.units.map(function (u, i) {
      var text = (u.zero + u.per * value).toFixed(u.decimals) + "\u00a0" + u.symbol;
      return i ? "(" + text + ")" : text;
    }).join(" ");
  }

  function distance(factor, size) {
    return factor.units.map(function (u, i) {
      var text = (u.per * size).toFixed(u.per * size < 10 ? Math.max(u.decimals, 1) : u.decimals) + "\u00a0" + u.symbol;
      return i ? "(" + text + ")" : text;
    }).join(" ");
  }

  function whole(p) {
    var count = Math.round(100 * p);
    if (count === 100 && p < 0.9995) { count = 99; }
    if (count === 0 && p > 0.0005) { count = 1; }
    return count;
  }

  function least(p) { return Math.floor(Math.round(1e8 * p) / 1e6); }

  function percent(p) {
    return p > 0.995 ? (p < 1 ? ">99\u00a0%" : "100\u00a0%") : p < 0.005 && p > 0 ? "<1\u00a0%" : Math.round(100 * p) + "\u00a0%";
  }

  var tests = {
    ">=": function (a, b) { return a >= b; }, "<=": function (a, b) { return a <= b; },
    ">": function (a, b) { return a > b; }, "<": function (a, b) { return a < b; }, "=": function (a, b) { return a === b; }
  };

  function forbidden(values, levels) {
    return data.forbidden.find(function (f) {
      return f.clauses.every(function (c) { return tests[c[1]](values[c[0]], c[2]); })
        && f.levels.every(function (c) { return data.levels[c[0]].levels[levels[c[0]]] === c[1]; });
    });
  }

  function line(name, text) {
    var row = document.createElement("div"), head = document.createElement("dt"), body = document.createElement("dd");
    head.textContent = name;
    body.textContent = text;
    row.append(head, body);
    says.append(row);
  }

  /* ---- the panel ---- */

  function settings() { return inputs.map(function (i) { return Number(i.value); }); }
  function chosen() { return choosers.map(function (c) { return c.selectedIndex; }); }
  function combination() {
    return data.levels.reduce(function (index, l, j) { return index * l.levels.length + choosers[j].selectedIndex; }, 0);
  }

  function update() {
    var values = settings(), found = predict(values, combination());
    inputs.forEach(function (i, j) {
      var text = shown(data.factors[j], values[j]);
      i.setAttribute("aria-valuetext", text);
      i.parentNode.querySelector("output").textContent = text;
    });
    Object.keys(found).forEach(function (key) {
      panel.dataset[key] = found[key] === null || found[key] === undefined ? "" : found[key].toFixed(6);
    });
    says.textContent = "";
    var bar = forbidden(values, chosen());
    if (bar) { line("never make this", bar.reason || "forbidden combination"); }
    line("expected", whole(found.expected) + " of 100 prints" + (found.expected >= data.target ? ", on target" : ", below the target of " + data.wanted));
    line("at least, with " + data.assured + " assurance", least(found.low) + " of 100 prints");
    if (found.high !== null) {
      line("at most, with " + data.assured + " assurance", Math.ceil(Math.round(1e8 * found.high) / 1e6) + " of 100 prints");
      line("chance that it reaches " + data.wanted, percent(found.chance));
    }
    if (found.hand !== null) {
      var enough = data.handWanted === null ? "" : found.hand >= data.handWanted ? ", soft enough" : ", too stiff";
      var span = found.handLow === null ? "" : " (" + found.handLow.toFixed(1) + " to " + found.handHigh.toFixed(1) + ")";
      line("mean hand-feel", found.hand.toFixed(1) + span + enough);
    }
    if (data.window) {
      var out = data.factors.filter(function (f, j) {
        return values[j] < data.window[j][0] || values[j] > data.window[j][1];
      }).map(function (f) { return f.label; });
      line("expected window", out.length ? "outside: " + out.join(", ") : "inside");
    }
    rooms.textContent = "";
    delete panel.dataset.room;
    clearTimeout(waiting);
    waiting = setTimeout(function () { margins(values, combination(), found.expected); }, 150);
  }

  function margins(values, levels, expected) {
    rooms.textContent = "";
    var head = document.createElement("p");
    rooms.append(head);
    if (expected < data.target) {
      head.textContent = "Margin: none, the expected pass rate is below the target here.";
      panel.dataset.room = "[]";
      return;
    }
    var list = document.createElement("ul"), tightest = null, kept = [];
    data.factors.forEach(function (f, j) {
      var ways = [f.low, f.high].map(function (end, w) {
        var size = room(values, levels, j, end);
        kept.push(size);
        if (size === null) { return f.ways[w] + ": to the end of its range"; }
        var errors = f.sd ? size / f.sd : null;
        if (errors !== null && (tightest === null || errors < tightest.errors)) {
          tightest = { errors: errors, text: f.label + " " + distance(f, size) + " " + f.ways[w] };
        }
        return f.ways[w] + ": " + distance(f, size) + (errors === null ? "" : ", " + errors.toFixed(1) + " setting errors");
      });
      var item = document.createElement("li");
      item.textContent = f.label + ", " + ways.join("; ");
      list.append(item);
    });
    head.textContent = tightest === null
      ? "Margin, one setting moved alone: no move inside the tested ranges takes the expected rate below " + data.wanted + "."
      : "Margin, one setting moved alone before the expected rate falls below " + data.wanted + ": least for " + tightest.text
        + ", " + tightest.errors.toFixed(1) + " setting errors.";
    rooms.append(list);
    panel.dataset.room = JSON.stringify(kept);
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
  data.levels.forEach(function (l) {
    var label = document.createElement("label"), name = document.createElement("span"), chooser = document.createElement("select");
    name.textContent = l.label;
    l.levels.forEach(function (level) { chooser.append(new Option(level)); });
    chooser.selectedIndex = l.here;
    chooser.addEventListener("change", update);
    label.append(name, chooser);
    place.append(label);
    choosers.push(chooser);
  });
  panel.querySelector("button").addEventListener("click", function () {
    inputs.forEach(function (i, j) { i.value = data.factors[j].here; });
    choosers.forEach(function (c, j) { c.selectedIndex = data.levels[j].here; });
    update();
  });
  /* for a reader's own script, and for the checks of this page: settings need not be those of a slider */
  section.predict = function (values, levels) {
    return predict(values, (levels || []).reduce(function (index, l, j) { return index * data.levels[j].levels.length + l; }, 0));
  };
  update();
  panel.hidden = false;
}());
