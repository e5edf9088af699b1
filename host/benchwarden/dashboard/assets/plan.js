/* The plan page in the browser: marks that appear while typing, without asking the
   server, and the attributes that tie a field to its help and its error. */
(function () {
  "use strict";

  function text(value) { return value === null || value === undefined ? "" : String(value).trim(); }

  /* "" and a missing entry are the same: as computed. */
  function sameEdits(one, two) {
    function flat(edits) {
      var out = [];
      Object.keys(edits || {}).sort().forEach(function (stage) {
        Object.keys(edits[stage]).sort().forEach(function (key) {
          if (text(edits[stage][key])) { out.push([stage, key, text(edits[stage][key])]); }
        });
      });
      return JSON.stringify(out);
    }
    return flat(one) === flat(two);
  }

  var unsaved = false;
  var begun = null; // the facts as the page came

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.plan = {
    openAsked: function (_open, _example, name) {
      if (unsaved && !window.confirm("What you typed is not saved and would be replaced. Replace it?")) {
        return window.dash_clientside.no_update;
      }
      var example = window.dash_clientside.callback_context.triggered_id === "open-example";
      return { n: Date.now(), name: name || "", example: example };
    },
    marks: function (used, loaded, edits, run, hours, values) {
      var order = document.getElementById("plan-form").dataset.facts.split(" ");
      var rest = Array.prototype.slice.call(arguments, 6);
      var facts = rest.slice(0, order.length).map(text), ids = rest[order.length], panel = rest[order.length + 1];
      function differs(held) {
        if (!held) { return false; }
        return order.some(function (key, at) { return facts[at] !== text(held.facts[key]); }) || text(run) !== text(held.run) || text(hours) !== text(held.hours);
      }
      var stale = differs(used);
      var now = {};
      Object.keys(edits || {}).forEach(function (stage) { now[stage] = Object.assign({}, edits[stage]); });
      if (panel) {
        (ids || []).forEach(function (id, at) {
          now[panel] = now[panel] || {};
          now[panel][id.key.replace(":", ".")] = text(values[at]);
        });
      }
      var pending = !sameEdits(now, edits);
      if (loaded) {
        unsaved = differs(loaded) || !sameEdits(now, loaded.edits);
      } else {
        unsaved = begun !== null && facts.join("\n") !== begun;
        if (begun === null) { begun = facts.join("\n"); }
      }
      return [!stale, stale ? "is-stale" : "", stale ? "is-stale" : "", !unsaved,
              loaded ? "△ Changed since " + loaded.name + " was loaded or saved." : "△ Not saved yet.", !pending];
    },
    where: function (where) { return [where !== "board", where !== "virtual"]; },
    startStep: function (announced) {
      if (announced) { setTimeout(function () { document.getElementById("start-step").focus(); }, 50); }
      return [!announced, !!announced, announced ? announced.what : ""];
    },
  };

  window.addEventListener("beforeunload", function (event) {
    if (unsaved && document.getElementById("plan-form")) { event.preventDefault(); }
  });

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
    document.querySelectorAll(".fact").forEach(function (fact, at) {
      var notes = Array.prototype.filter.call(fact.children, function (child) { return child.tagName === "P"; });
      notes.forEach(function (note, n) { if (!note.id) { note.id = "note-" + at + "-" + n; } });
      var told = notes.filter(function (note) { return note.textContent; });
      var wrong = told.some(function (note) { return note.classList.contains("said-wrong"); });
      fact.classList.toggle("is-wrong", wrong);
      var by = told.map(function (note) { return note.id; }).join(" ");
      fact.querySelectorAll(fact.tagName === "FIELDSET" ? ":scope" : "input").forEach(function (field) {
        if (field.getAttribute("aria-describedby") !== by) { field.setAttribute("aria-describedby", by); }
        if (fact.tagName !== "FIELDSET" && field.getAttribute("aria-invalid") !== String(wrong)) {
          field.setAttribute("aria-invalid", String(wrong));
        }
      });
    });
  }

  var due = false;
  new MutationObserver(function () {
    if (due || !document.getElementById("plan-form")) { return; }
    due = true;
    requestAnimationFrame(function () { due = false; tie(); });
  }).observe(document, {
    childList: true, characterData: true, subtree: true, attributes: true, attributeFilter: ["aria-selected"],
  });
})();
