/* The parts page and the checks page in the browser: radio groups as what they are, fields tied to
   their words, a pasted table handed on, and a warning before what is typed is left behind. */
(function () {
  "use strict";

  var PLACES = "#parts-place, #checks-place";
  var began = "";

  function mine() { return document.querySelector(PLACES); }

  /* The components know no aria attributes, and call their radio buttons options of a list. */
  function radios() {
    document.querySelectorAll(".plan-radios").forEach(function (group) {
      var legend = group.closest("fieldset").querySelector("legend");
      if (group.getAttribute("role") !== "radiogroup") {
        group.setAttribute("role", "radiogroup");
        group.setAttribute("aria-label", legend.textContent);
      }
      group.querySelectorAll("label").forEach(function (option) {
        option.removeAttribute("role");
        option.removeAttribute("aria-selected");
      });
    });
  }

  function tie() {
    radios();
    cells();
    document.querySelectorAll(".checks-line").forEach(function (line) {
      var verdict = line.querySelector(".checks-verdict");
      line.querySelectorAll(".is-number input").forEach(function (field) {
        set(field, "aria-describedby", verdict.id);
        set(field, "aria-invalid", String(line.classList.contains("is-wrong")));
      });
    });
    document.querySelectorAll("#parts-place .fact").forEach(function (fact, at) {
      var notes = Array.prototype.filter.call(fact.children, function (child) { return child.tagName === "P"; });
      notes.forEach(function (note, n) { if (!note.id) { note.id = "note-" + at + "-" + n; } });
      var told = notes.filter(function (note) { return note.textContent; });
      var wrong = told.some(function (note) { return note.classList.contains("said-wrong"); });
      var by = told.map(function (note) { return note.id; }).join(" ");
      fact.querySelectorAll(fact.tagName === "FIELDSET" ? ":scope" : "input, textarea").forEach(function (field) {
        if (by) { set(field, "aria-describedby", by); }
        if (fact.tagName !== "FIELDSET") { set(field, "aria-invalid", String(wrong)); }
      });
    });
  }

  /* Cells that cannot be read, as the words below their table name them. */
  function cells() {
    var wrong = {};
    document.querySelectorAll("#parts-place [data-cell]").forEach(function (said) {
      wrong[said.dataset.cell] = said.id;
    });
    document.querySelectorAll("#parts-place .pieces-table td").forEach(function (cell) {
      var by = wrong[cell.dataset.of + " " + cell.dataset.row + " " + cell.dataset.key];
      var field = cell.querySelector("input");
      set(field, "aria-label", cell.dataset.label);
      set(field, "aria-invalid", String(Boolean(by)));
      if (by) { set(field, "aria-describedby", by); } else { field.removeAttribute("aria-describedby"); }
    });
  }

  function set(field, name, value) {
    if (field.getAttribute(name) !== value) { field.setAttribute(name, value); }
  }

  var due = false;
  new MutationObserver(function () {
    if (due || !mine()) { return; }
    due = true;
    requestAnimationFrame(function () { due = false; tie(); });
  }).observe(document, {
    childList: true, characterData: true, subtree: true, attributes: true, attributeFilter: ["aria-selected", "class"],
  });

  document.addEventListener("focusin", function (event) { began = event.target.value || ""; });

  /* One question at a time: of two that are under way the older answer can come last, and would stay. */
  var PATIENCE_MS = 5000;
  var count = 0, waiting = 0, again = false, timer = 0;
  function ask() {
    if (waiting) { again = true; return; }
    waiting = (count += 1);
    timer = setTimeout(free, PATIENCE_MS);
    setTimeout(function () { window.dash_clientside.set_props("typed", { data: { n: count } }); }, 0);
  }
  function free() {
    clearTimeout(timer);
    waiting = 0;
    if (again) { again = false; ask(); }
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.parts = {
    /* Whatever was opened, shown or saved is judged as well. */
    ask: function () { ask(); return window.dash_clientside.no_update; },
    answered: function () {
      var there = Array.prototype.every.call(arguments, function (state) { return state && state.n >= waiting; });
      if (waiting && there) { free(); }
      return window.dash_clientside.no_update;
    },
  };

  /* What was typed is judged when its field is left, or by Enter; a choice at once. The components
     have told their values by then. */
  function judge(event) {
    var field = event.target;
    if (!field.closest || !field.closest(PLACES) || !/^(INPUT|TEXTAREA)$/.test(field.tagName)) { return; }
    if (event.type === "keydown" && (event.key !== "Enter" || field.tagName !== "INPUT")) { return; }
    if (event.type === "focusout" && (field.type === "radio" || field.value === began)) { return; }
    if (event.type === "change" && field.type !== "radio") { return; }
    began = field.value;
    ask();
  }
  ["focusout", "change", "keydown"].forEach(function (type) { document.addEventListener(type, judge); });

  window.addEventListener("beforeunload", function (event) {
    if (!mine()) { return; }
    var field = document.activeElement;
    var typing = field && field.closest(PLACES) && /^(INPUT|TEXTAREA)$/.test(field.tagName) && field.value !== began;
    if (typing || document.querySelector(".keeps-unsaved:not([hidden])")) { event.preventDefault(); }
  });

  /* A table from a spreadsheet: the server sorts it into the fields, from the one it was pasted into. */
  document.addEventListener("paste", function (event) {
    var cell = event.target.closest ? event.target.closest("#parts-place .pieces-table td") : null;
    var text = event.clipboardData ? event.clipboardData.getData("text/plain") : "";
    if (!cell || !/[\t;\n]/.test(text.trim())) { return; }
    event.preventDefault();
    window.dash_clientside.set_props("pasted", {
      data: { n: Date.now(), of: cell.dataset.of, row: Number(cell.dataset.row), key: cell.dataset.key, text: text.slice(0, 100000) },
    });
  });
})();
