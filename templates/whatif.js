(function () {
  "use strict";
  var section = document.getElementById("what-if");
  if (!section) { return; }
  var data = JSON.parse(section.querySelector("script").textContent);
  var panel = section.querySelector(".panel"), says = panel.querySelector(".says"), place = panel.querySelector(".levels");
  var strips = Array.from(section.querySelectorAll(".strip")), maps = Array.from(document.querySelectorAll(".plot.map"));
  var inputs = [], choosers = [], waiting = 0;
  var SLICE = 10, PAUSE = 150; /* milliseconds of work at a time, and of quiet before it begins */

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

  /* Robust pass rate of every draw: the mean over points that stand for the setting error. Stops now and then, so that
     long work can be done in slices. */
  function* rates(values, combination) {
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
      if (d % 16 === 15) { yield; }
    }
    return out;
  }

  /* What a function that stops gives in the end. */
  function whole(steps) {
    var step = steps.next();
    while (!step.done) { step = steps.next(); }
    return step.value;
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
    var list = whole(rates(settings, combination)), low = 1 - data.assurance;
    var feel = data.hasHand ? feels(settings, combination) : null;
    return {
      expected: mean(list), low: quantile(list, low), high: quantile(list, 1 - low),
      chance: list.reduce(function (a, r) { return a + (r >= data.target ? 1 : 0); }, 0) / list.length,
      hand: feel ? mean(feel) : null, handLow: feel ? quantile(feel, low) : null, handHigh: feel ? quantile(feel, 1 - low) : null
    };
  }

  function* expectedAt(settings, combination) {
    return data.kind === "grid" ? predict(settings, combination).expected : mean(yield* rates(settings, combination));
  }

  /* How far one setting may move alone before the expected rate falls below the target; null: to the end of its range. */
  function* room(settings, combination, j, end) {
    var probe = settings.slice();
    probe[j] = end;
    if ((yield* expectedAt(probe, combination)) >= data.target) { return null; }
    var good = settings[j], bad = end;
    for (var i = 0; i < 9; i += 1) {
      probe[j] = (good + bad) / 2;
      if ((yield* expectedAt(probe, combination)) >= data.target) { good = probe[j]; } else { bad = probe[j]; }
    }
    return Math.abs(good - settings[j]);
  }

  /* Work in slices: the page answers a finger or a key in between. */
  function inSlices(steps) {
    var begun = performance.now(), step;
    do { step = steps.next(); } while (!step.done && performance.now() - begun < SLICE);
    panel.dataset.slice = Math.max(Number(panel.dataset.slice || 0), performance.now() - begun).toFixed(1);
    if (!step.done) { waiting = setTimeout(inSlices, 0, steps); }
  }

  /* ---- words ---- */

  function shown(factor, value) {
    return factor.units.map(function (u, i) {
      var number = (u.zero + u.per * value).toFixed(u.decimals);
      value = (Number(number) - u.zero) / u.per; /* the other unit is that of the number shown first */
      var text = number + "\u00a0" + u.symbol;
      return i ? "(" + text + ")" : text;
    }).join(" ");
  }

  function prints(p) {
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

  /* ---- the strips ---- */

  function settings() { return inputs.map(function (i) { return Number(i.value); }); }
  function chosen() { return choosers.map(function (c) { return c.selectedIndex; }); }
  function combination() {
    return data.levels.reduce(function (index, l, j) { return index * l.levels.length + choosers[j].selectedIndex; }, 0);
  }
  function isMoved() {
    return inputs.some(function (i, j) { return Number(i.value) !== data.factors[j].here; })
      || choosers.some(function (c, j) { return c.selectedIndex !== data.levels[j].here; });
  }
  /* Share of a strip's length, as `Strip.place` has it. */
  function along(f, value) { return Math.min(1, Math.max(0, 0.5 + (value - f.here) / (2 * data.reach * f.error))); }

  function happens(values, found) {
    if (found.expected >= data.target) { return "holds: " + data.wanted + " is expected"; }
    if (!data.side) { return "below " + data.wanted; }
    var heat = product(data.side[combination()], 0, features(values), 0);
    return heat > 0 ? "too much heat: " + data.seen.over : "too little heat: " + data.seen.under;
  }

  /* Where a map has the settings that are tried. */
  function onMap(map, values) {
    ["x", "y"].forEach(function (axis) {
      var j = data.factors.findIndex(function (f) { return f.name === map.dataset[axis]; }), f = data.factors[j];
      var turned = f.log ? Math.log : Number, low = turned(f.low), share = (turned(values[j]) - low) / (turned(f.high) - low);
      share = data.rim + (1 - 2 * data.rim) * share;
      map.querySelector(".tried").setAttribute(axis, 100 * (axis === "y" ? 1 - share : share) + "%");
    });
    map.querySelector(".tried").setAttribute("visibility", isMoved() ? "visible" : "hidden");
  }

  function update() {
    var values = settings(), found = predict(values, combination());
    inputs.forEach(function (input, j) {
      var text = shown(data.factors[j], values[j]);
      input.setAttribute("aria-valuetext", text);
      strips[j].querySelector(".dialled").textContent = text;
      strips[j].querySelector(".found").textContent = values[j] === data.factors[j].here ? "" : prints(found.expected) + " of 100 prints";
    });
    Object.keys(found).forEach(function (key) {
      panel.dataset[key] = found[key] === null || found[key] === undefined ? "" : found[key].toFixed(6);
    });
    says.textContent = "";
    var bar = forbidden(values, chosen());
    if (bar) { line("never make this", bar.reason || "forbidden combination"); }
    if (isMoved()) { tell(values, found); }
    maps.forEach(function (map) { onMap(map, values); });
    panel.querySelector("button").disabled = !isMoved();
    delete panel.dataset.room;
    clearTimeout(waiting);
    waiting = setTimeout(inSlices, PAUSE, look(values, combination(), found.expected));
  }

  /* The setpoint's own numbers stand in the answer; here are those of what is tried. */
  function tell(values, found) {
    line("expected here", prints(found.expected) + " of 100 prints");
    line("at least, " + data.assured + " assurance", least(found.low) + " of 100");
    if (found.chance !== null) { line("chance of " + data.wanted + " or better", percent(found.chance)); }
    if (found.hand !== null) {
      var enough = data.handWanted === null ? "" : found.hand >= data.handWanted ? ", soft enough" : ", too stiff";
      line("hand-feel", found.hand.toFixed(1) + enough);
    }
    line("what happens", happens(values, found));
  }

  /* Room of every setting, and how full its strip is, with the others as they are tried. */
  function* look(values, levels, expected) {
    var kept = [];
    for (var j = 0; j < data.factors.length; j += 1) {
      var f = data.factors[j], ends = [null, null], caps = strips[j].querySelector(".caps");
      if (expected >= data.target) {
        ends = [yield* room(values, levels, j, f.low), yield* room(values, levels, j, f.high)];
        kept.push(ends[0], ends[1]);
      }
      if (isMoved()) {
        yield* paint(values, levels, j);
        bracket(strips[j], f, expected < data.target ? null : [
          ends[0] === null ? f.low : values[j] - ends[0], ends[1] === null ? f.high : values[j] + ends[1]
        ]);
      } else {
        if (caps) { caps.setAttribute("d", caps.dataset.here); }
        strips[j].querySelectorAll("stop").forEach(function (s) { s.setAttribute("stop-opacity", s.dataset.here); });
        strips[j].querySelector(".alone").textContent = strips[j].dataset.alone;
      }
    }
    panel.dataset.room = JSON.stringify(kept);
  }

  function* paint(values, levels, j) {
    var f = data.factors[j], stops = Array.from(strips[j].querySelectorAll("stop")), probe = values.slice();
    var first = Math.max(f.low, f.here - data.reach * f.error), last = Math.min(f.high, f.here + data.reach * f.error);
    for (var i = 0; i < stops.length; i += 1) {
      probe[j] = first + Number(stops[i].getAttribute("offset")) * (last - first);
      var short = (data.target - (yield* expectedAt(probe, levels))) / data.fades;
      stops[i].setAttribute("stop-opacity", Math.pow(Math.min(1, Math.max(0, 1 - short)), 1.5).toFixed(2));
    }
  }

  function bracket(strip, f, ends) {
    var caps = strip.querySelector(".caps"), words = strip.querySelector(".alone");
    words.textContent = ends ? "alone " + shown(f, ends[0]) + " to " + shown(f, ends[1]) : "no room";
    if (!caps) { return; }
    caps.setAttribute("d", !ends ? "" : ends.map(function (end, i) {
      if (Math.abs(end - f.here) > data.reach * f.error * (1 + 1e-9)) { return ""; }
      var x = 1000 * along(f, end), hook = x + (i ? -8 : 8);
      return "M" + hook + " -150L" + x + " -150L" + x + " 1150L" + hook + " 1150";
    }).join(""));
  }

  data.factors.forEach(function (f, j) {
    var strip = strips[j], input = document.createElement("input"), found = document.createElement("span"), most = data.reach * f.error;
    var steps = function (size) { return Math.floor(size / f.step + 1e-9) * f.step; };
    input.type = "range";
    input.step = f.step;
    input.min = f.here - steps(Math.min(f.here - f.low, most));
    input.max = f.here + steps(Math.min(f.high - f.here, most));
    input.value = f.here;
    input.setAttribute("aria-label", "try " + f.label);
    input.style.setProperty("--from", along(f, Number(input.min)));
    input.style.setProperty("--to", along(f, Number(input.max)));
    input.addEventListener("input", update);
    strip.querySelector(".bar").append(input);
    found.className = "found";
    strip.querySelector(".strip-head").append(found);
    strip.querySelectorAll("stop").forEach(function (s) { s.dataset.here = s.getAttribute("stop-opacity"); });
    var caps = strip.querySelector(".caps");
    if (caps) { caps.dataset.here = caps.getAttribute("d"); }
    strip.dataset.alone = strip.querySelector(".alone").textContent;
    inputs.push(input);
  });
  data.levels.forEach(function (l) {
    var label = document.createElement("label"), chooser = document.createElement("select");
    l.levels.forEach(function (level) { chooser.append(new Option(level)); });
    chooser.selectedIndex = l.here;
    chooser.addEventListener("change", update);
    label.append(l.label + " ", chooser);
    place.append(label);
    choosers.push(chooser);
  });
  panel.querySelector("button").addEventListener("click", function () {
    inputs.forEach(function (i, j) { i.value = data.factors[j].here; });
    choosers.forEach(function (c, j) { c.selectedIndex = data.levels[j].here; });
    update();
  });
  /* for a reader's own script, and for the checks of this page: settings need not be those of a strip */
  section.predict = function (values, levels) {
    return predict(values, (levels || []).reduce(function (index, l, j) { return index * data.levels[j].levels.length + l; }, 0));
  };
  update();
  panel.hidden = false;
}());
