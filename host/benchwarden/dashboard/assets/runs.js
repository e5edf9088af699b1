/* The runs page: what is in view, the moment that is told, and the replay. A
   zoom asks the server for its window; a pause of a tenth of a second comes
   first, so that a held key or a moving finger asks once. */
(function () {
  "use strict";

  var DELAY_MS = 120;
  var LEAST_S = 0.2;
  var span = null;      /* bounds and window as the server drew them last */
  var wanted = null;    /* window asked for since */
  var waiting = 0, pointing = 0;

  function set(id, props) { window.dash_clientside.set_props(id, props); }

  function ask(next) {
    wanted = next;
    clearTimeout(waiting);
    waiting = setTimeout(function () { set("window", { data: wanted }); }, DELAY_MS);
  }

  function now() {
    if (wanted && !wanted.whole) { return wanted; }
    return wanted && span ? { start: span.first, stop: span.last } : { start: span.start, stop: span.stop };
  }

  function go(start, stop) {
    var room = span.last - span.first;
    var width = Math.min(Math.max(stop - start, LEAST_S), room);
    var middle = (start + stop) / 2;
    start = Math.min(Math.max(middle - width / 2, span.first), span.last - width);
    if (width >= room) { ask({ whole: true }); } else { ask({ start: start, stop: start + width }); }
  }

  function zoom(what) {
    if (!span) { return; }
    var at = now(), width = at.stop - at.start;
    /* Zooming keeps the moment in its place while it is in view. */
    var held = moment !== null && moment >= at.start && moment <= at.stop ? moment : (at.start + at.stop) / 2;
    var share = (held - at.start) / width;
    if (what === "whole") { ask({ whole: true }); }
    if (what === "in") { go(held - share * width / 2, held + (1 - share) * width / 2); }
    if (what === "out") { go(held - share * width * 2, held + (1 - share) * width * 2); }
    if (what === "left") { go(at.start - width / 2, at.stop - width / 2); }
    if (what === "right") { go(at.start + width / 2, at.stop + width / 2); }
    if (what === "trip" && span.trips.length) {
      var next = span.trips.filter(function (t) { return moment === null || t > moment + 0.001; })[0];
      jump(next === undefined ? span.trips[0] : next, 4);
    }
  }

  var moment = null;
  function tell(t) { moment = t; set("moment", { data: { t: t } }); }

  function jump(t, width) {
    if (!span) { return; }
    var at = now();
    var whole = at.stop - at.start >= 0.9 * (span.last - span.first);
    var wide = width || (whole ? Math.min(120, span.last - span.first) : at.stop - at.start);
    go(t - wide / 2, t + wide / 2);
    tell(t);
  }

  function plots() { return document.querySelectorAll("#run-plots .js-plotly-plot"); }

  function mark(t) {
    plots().forEach(function (plot) {
      var shapes = plot.layout && plot.layout.shapes;
      if (!shapes || !shapes.length || !window.Plotly) { return; }
      var last = shapes[shapes.length - 1], at = "shapes[" + (shapes.length - 1) + "].", put = {};
      if (t === null) { return; }
      if (last.x0 === t && last.visible === true) { return; }
      put[at + "x0"] = t; put[at + "x1"] = t; put[at + "visible"] = true;
      window.Plotly.relayout(plot, put);
    });
  }

  document.addEventListener("click", function (event) {
    var button = event.target.closest ? event.target.closest("#runs-body button") : null;
    if (!button) { return; }
    if (button.dataset.toggle) { toggle(button.dataset.toggle, button.getAttribute("aria-pressed") !== "true"); }
    else if (button.dataset.into) { set(button.dataset.into, { data: button.dataset.value }); }
    else if (button.dataset.jump) { jump(Number(button.dataset.jump), 0); }
    else if (button.dataset.zoom) { zoom(button.dataset.zoom); }
  });
  document.addEventListener("change", function (event) {
    var into = event.target.dataset && event.target.dataset.into;
    if (into) { set(into, { data: event.target.value }); }
  });
  function toggle(into, on) {
    set(into + "-toggle", { "aria-pressed": String(on) });
    set(into, { data: on });
  }

  var KEYS = { "+": "in", "=": "in", "-": "out", ArrowLeft: "left", ArrowRight: "right", Home: "whole" };
  document.addEventListener("keydown", function (event) {
    var on = event.target.closest && event.target.closest("#run-plots");
    if (!on || event.ctrlKey || event.metaKey || event.altKey) { return; }
    if (KEYS[event.key]) { event.preventDefault(); zoom(KEYS[event.key]); }
    var step = { ",": "moment-back", ".": "moment-on" }[event.key];
    if (step) { event.preventDefault(); document.getElementById(step).click(); }
  });

  /* Fingers: two zoom, one drags along, a tap points. Up and down stay the page's own. */
  var fingers = new Map(), began = null;

  function timeAt(plot, clientX) {
    var axis = plot._fullLayout && plot._fullLayout.xaxis;
    if (!axis) { return null; }
    return axis.p2d(clientX - plot.getBoundingClientRect().left - axis._offset);
  }

  function twoOf() {
    var xs = Array.from(fingers.values()).map(function (f) { return f.x; });
    return xs.length > 1 ? { middle: (xs[0] + xs[1]) / 2, apart: Math.max(20, Math.abs(xs[0] - xs[1])) } : null;
  }

  function start(event, plot) {
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    var at = now(), box = plot._fullLayout.xaxis;
    began = { plot: plot, at: at, x: event.clientX, y: event.clientY, two: twoOf(), moved: false,
              perPixel: (at.stop - at.start) / box._length, time: timeAt(plot, (twoOf() || { middle: event.clientX }).middle) };
  }

  document.addEventListener("pointerdown", function (event) {
    if (event.pointerType !== "touch" || !span) { return; }
    var plot = event.target.closest && event.target.closest("#run-plots .js-plotly-plot");
    if (plot) { start(event, plot); }
  }, true);
  document.addEventListener("pointermove", function (event) {
    if (!began || !fingers.has(event.pointerId)) { return; }
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    var two = twoOf(), at = began.at, width = at.stop - at.start;
    if (two && began.two) {
      began.moved = true;
      width *= began.two.apart / two.apart;
      var share = (began.time - at.start) / (at.stop - at.start);
      go(began.time - share * width, began.time + (1 - share) * width);
    } else if (Math.abs(event.clientX - began.x) > 12) {
      began.moved = true;
      var by = (began.x - event.clientX) * began.perPixel;
      go(at.start + by, at.stop + by);
    }
  }, true);
  function end(event) {
    if (!fingers.delete(event.pointerId) || !began) { return; }
    if (event.type === "pointerup" && !began.moved && !fingers.size) {
      var t = timeAt(began.plot, began.x);
      if (t !== null) { tell(t); }
    }
    if (!fingers.size) { began = null; }
  }
  document.addEventListener("pointerup", end, true);
  document.addEventListener("pointercancel", end, true);
  /* The plots' own handling of touch would keep the page from scrolling. */
  ["touchstart", "touchmove", "touchend"].forEach(function (kind) {
    document.addEventListener(kind, function (event) {
      if (event.target.closest && event.target.closest("#run-plots .js-plotly-plot")) { event.stopPropagation(); }
    }, { capture: true, passive: true });
  });

  function changed() {
    var found = window.dash_clientside.callback_context.triggered || [];
    return found.length ? found[0] : null;
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.runs = {
    /* Dragged across a plot, or pressed twice. */
    zoomed: function () {
      var found = changed(), what = found && found.value;
      if (span && what) {
        if (what["xaxis.range[0]"] !== undefined) { ask({ start: what["xaxis.range[0]"], stop: what["xaxis.range[1]"] }); }
        else if (what["xaxis.autorange"]) { ask({ whole: true }); }
      }
      return window.dash_clientside.no_update;
    },
    /* The moment follows the pointer unless it is held; a click holds it. */
    pointed: function () {
      var all = window.dash_clientside.callback_context.triggered || [], hold = arguments[arguments.length - 1];
      /* A quick click comes together with its hover. */
      var found = all.filter(function (one) { return one.prop_id.indexOf("clickData") > 0; })[0] || all[0];
      var point = found && found.value && found.value.points && found.value.points[0];
      if (point) {
        var clicked = found.prop_id.indexOf("clickData") > 0;
        if (clicked) { toggle("hold", true); }
        if (clicked || hold !== true) {
          clearTimeout(pointing);
          pointing = setTimeout(function () { tell(point.x); }, clicked ? 0 : 60);
        }
      }
      return window.dash_clientside.no_update;
    },
    /* What the server drew. */
    keep: function (bounds, name) {
      var found = changed();
      if (found && found.prop_id.indexOf("run-name") === 0) { moment = null; wanted = null; span = null; }
      if (bounds) { span = bounds; }
      return window.dash_clientside.no_update;
    },
    mark: function (held) {
      if (held) {
        moment = held.t;
        if (held.show && span) {
          var at = now();
          if (held.t < at.start || held.t > at.stop) { go(held.t - (at.stop - at.start) / 2, held.t + (at.stop - at.start) / 2); }
        }
        setTimeout(function () { mark(moment); }, 0);
      }
      return window.dash_clientside.no_update;
    },
    /* Play and pause; stops at the end, and the window goes along. */
    play: function (presses, ticks, speed, held, stopped) {
      var found = changed(), PLAY = "▶ Play", PAUSE = "❚❚ Pause";
      if (!span) { return [true, PLAY]; }
      if (found && found.prop_id.indexOf("replay-tick") < 0) {
        if (!stopped) { return [true, PLAY]; }
        if (moment === null || moment >= span.last - 0.2) { tell(now().start); }
        toggle("hold", true);
        return [false, PAUSE];
      }
      if (stopped) { return [true, PLAY]; }
      var t = (moment === null ? span.first : moment) + Number(speed || 1) * 0.4;
      if (t >= span.last) { tell(span.last); return [true, PLAY]; }
      tell(t);
      var at = now();
      if (t < at.start || t > at.stop) { go(t - 0.1 * (at.stop - at.start), t + 0.9 * (at.stop - at.start)); }
      return window.dash_clientside.no_update;
    },
  };
})();
