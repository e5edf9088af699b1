/* The readings: figures and channel rows, ten times a second. They are written
   into fixed places instead of being built anew as components, which would cost
   the browser more than the time between two frames. Text is set as text. */
(function () {
  "use strict";

  function made(tag, kind, parent) {
    var node = document.createElement(tag);
    if (kind) { node.className = kind; }
    parent.appendChild(node);
    return node;
  }

  function put(node, text) {
    if (node.textContent !== text) { node.textContent = text; }
  }

  function named(node, kind) {
    if (node.className !== kind) { node.className = kind; }
  }

  function newFigure(box) {
    var held = { place: made("div", "", box) };
    var head = made("dt", "", held.place);
    held.sign = made("span", "sign", head);
    held.label = made("span", "", head);
    var big = made("dd", "big", held.place);
    held.value = made("span", "", big);
    held.unit = made("span", "unit", big);
    held.wanted = made("dd", "wanted", held.place);
    return held;
  }

  function putFigure(held, now) {
    named(held.place, "figure is-" + now.verdict);
    put(held.sign, now.sign);
    put(held.label, " " + now.label);
    put(held.value, now.value);
    put(held.unit, now.unit);
    put(held.wanted, now.expected ? "expected " + now.expected : "");
    held.wanted.hidden = !now.expected;
  }

  function newRow(box) {
    var held = { place: made("tr", "", box) };
    held.label = made("th", "", held.place);
    held.label.scope = "row";
    var reading = made("td", "reading", held.place);
    held.value = made("span", "value", reading);
    held.unit = made("span", "", reading);
    held.low = made("td", "edge low", held.place);
    held.low.dataset.label = "limit low";
    held.bar = made("div", "bar", made("td", "picture", held.place));
    held.bar.setAttribute("aria-hidden", "true");
    held.below = made("i", "beyond left", held.bar);
    held.above = made("i", "beyond right", held.bar);
    held.band = made("i", "expected", held.bar);
    held.aim = made("i", "aimed", held.bar);
    held.swing = made("i", "swing", held.bar);
    held.mean = made("i", "mean", held.bar);
    held.high = made("td", "edge high", held.place);
    held.high.dataset.label = "limit high";
    held.expects = made("td", "expects", held.place);
    held.expects.dataset.label = "expected";
    var says = made("td", "says", held.place);
    held.sign = made("span", "sign", says);
    held.says = made("span", "", says);
    return held;
  }

  function newProof(box) {
    var held = { place: made("li", "", box) };
    held.sign = made("span", "sign", held.place);
    held.what = made("span", "", held.place);
    held.reads = made("strong", "", held.place);
    held.needs = made("span", "facts", held.place);
    return held;
  }

  function putProof(held, now) {
    named(held.place, now.holds ? "holds" : "lacks");
    put(held.sign, now.holds ? "✓" : "◇");
    put(held.what, " " + now.what + " ");
    put(held.reads, now.reads);
    put(held.needs, now.holds ? " as needed (" + now.needs + ")" : " needs " + now.needs);
  }

  function newPot(box) {
    var held = { place: made("dl", "pot", box) };
    function cell(kind) {
      var place = made("div", kind, held.place);
      return { name: made("dt", "", place), value: made("dd", kind === "pot-says" ? "" : "big", place), place: place };
    }
    held.now = cell("pot-now");
    held.set = cell("pot-set");
    held.settles = cell("pot-settles");
    held.says = cell("pot-says");
    return held;
  }

  function putPot(held, now) {
    var side = now.side.charAt(0).toUpperCase() + now.side.slice(1);
    named(held.place, "pot turn-" + (now.turn || "none"));
    put(held.now.name, side + " now, mV");
    put(held.now.value, now.now);
    put(held.set.name, "set now");
    put(held.set.value, now.set_now);
    put(held.settles.name, "settles at (95 %)");
    put(held.settles.value, now.settles);
    put(held.says.value, (now.turn === "up" ? "▲ " : now.turn === "down" ? "▼ " : "") + now.says);
  }

  function span(node, left, right, least) {
    node.hidden = left === null || right === null;
    if (!node.hidden) {
      node.style.left = left + "%";
      node.style.width = Math.max(least, right - left) + "%";
    }
  }

  function putRow(held, now) {
    named(held.place, "is-" + now.verdict);
    held.place.dataset.channel = now.channel;
    held.place.dataset.verdict = now.verdict;
    put(held.label, now.label);
    put(held.value, now.value);
    put(held.unit, " " + now.unit);
    put(held.low, now.low);
    put(held.high, now.high);
    put(held.expects, now.expected);
    put(held.sign, now.sign);
    put(held.says, " " + now.says);
    var bar = now.bar;
    held.bar.hidden = bar.length === 0;
    if (bar.length) {
      span(held.below, bar[0] === null ? null : 0, bar[0], 0);
      held.above.hidden = bar[1] === null;
      held.above.style.left = bar[1] + "%";
      span(held.band, bar[2], bar[3], 0.8);
      span(held.swing, bar[4], bar[5], 0);
      held.aim.hidden = bar[7] === null;
      held.aim.style.left = bar[7] + "%";
      held.mean.hidden = bar[6] === null;
      held.mean.style.left = bar[6] + "%";
    }
  }

  function fill(id, list, start, write) {
    var box = document.getElementById(id);
    if (!box) { return; }
    if (!box.held || box.held.length !== list.length) {
      box.replaceChildren();
      box.held = list.map(function () { return start(box); });
    }
    list.forEach(function (now, at) { write(box.held[at], now); });
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.bench = {
    /* Show the readings; the answer's number is the sign that it was shown. */
    show: function (live) {
      if (!live) { return window.dash_clientside.no_update; }
      fill("pots", live.pots, newPot, putPot);
      fill("proofs", live.proofs, newProof, putProof);
      fill("aim", live.aim, newFigure, putFigure);
      fill("main-figures", live.figures, newFigure, putFigure);
      fill("channels", live.rows, newRow, putRow);
      return String(live.n);
    },
    /* The forecasts: a line and a band for each channel, behind what was measured. */
    ahead: function (ways) {
      var drawn = Object.keys(ways || {}).map(function (name) {
        var place = document.querySelector("#trend-" + name + " .js-plotly-plot");
        if (!place || !place.data || !window.Plotly) { return ""; }
        var text = JSON.stringify(ways[name]);
        if (place.benchWays === text) { return name; }
        place.benchWays = text;
        var first = place.data.length - 4;
        var x = [], y = [], k;
        for (k = 0; k < 2; k += 1) { var way = ways[name][k] || [[], [], [], []]; x.push(way[0]); y.push(way[1]); }
        for (k = 0; k < 2; k += 1) {
          var band = ways[name][k] || [[], [], [], []];
          x.push(band[0].concat(band[0].slice().reverse()));
          y.push(band[3].concat(band[2].slice().reverse()));
        }
        window.Plotly.restyle(place, { x: x, y: y }, [first, first + 1, first + 2, first + 3]);
        return name;
      });
      return drawn.join(" ");
    },
    /* The next question waits for the answer to the last: overlapping ones would
       each cancel the one before, and a slow machine would never show anything.
       An answer that never comes is given up after three seconds. */
    ask: function (n, asked, beat) {
      var now = performance.now();
      var free = !asked || String(asked.n) === beat || now - asked.at > 3000;
      return free ? { n: n, at: now } : window.dash_clientside.no_update;
    },
    /* The second step appears at once, and the keyboard goes to it. */
    step: function (announced, prompt, said) {
      var step = !!announced && !!prompt && !!prompt.second && announced.prompt_id === prompt.id;
      var has = !!prompt && prompt.id !== 0 && !prompt.sent;
      if (step && has) { focusWhenShown("confirm-step"); }
      return [!has || step, prompt ? prompt.first : "", !(has && step), prompt ? prompt.second : "",
              /* "Confirmed" has been answered once its prompt is gone. */
              !(prompt && prompt.id) && String(said || "").indexOf("Confirmed") === 0];
    },
    endStep: function (announced) {
      if (announced) { focusWhenShown("end-step"); }
      return [!announced, !!announced];
    },
  };

  function focusWhenShown(id) {
    var place = document.getElementById(id);
    if (place && place.hidden) { setTimeout(function () { place.focus(); }, 50); }
  }
})();
